"""A rating as a table at any step, every row beyond what was gauged marked. Rounds nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.band import band
from stillwell.hydrometry.rating.rating import Rating

Floats = NDArray[np.float64]

MARKS = ("", "below gauged range", "above gauged range", "beyond limit")

MOST_ROWS = 1_000_000
"""Rows a table may have (chosen: a slip in the step must not fill the memory)."""


def marks(discharge: Floats, gauged: tuple[float, float], beyond: float = 2.0) -> NDArray[np.int64]:
    """Mark what a rating says outside the discharges gauged, as places in ``MARKS``; NaN has no mark.

    Parameters
    ----------
    discharge : float array
        m3/s, of the rating at the stage asked for.
    gauged : pair of floats
        Rated discharges at the lowest and highest gauged stage, m3/s.
    beyond : float
        Times the highest gauged discharge that an extension may reach; 2 as remembered, an office's policy otherwise.
    """
    low, high = gauged
    mark = np.where(discharge < low * (1 - 1e-12), 1, np.where(discharge > high * (1 + 1e-12), 2, 0))
    return np.where(discharge > beyond * high * (1 + 1e-12), 3, mark)


def table(
    rating: Rating,
    gauged_m: tuple[float, float],
    span_m: tuple[float, float],
    step_m: float,
    *,
    standard_error: float = np.nan,
    freedom: float = np.nan,
    beyond: float = 2.0,
    level: float = 95,
) -> pd.DataFrame:
    """Tabulate a rating.

    Stages are whole multiples of the step, so that tables of two ratings share their rows.

    Parameters
    ----------
    gauged_m : pair of floats
        Lowest and highest gauged stage, m.
    span_m : pair of floats
        First and last stage of the table, m.
    step_m : float
        m.
    standard_error, freedom
        As of ``RatingFit``; without them no limits are given.

    Returns
    -------
    DataFrame
        stage_m, discharge_m3_s, difference_m3_s (to the row before), lower_m3_s, upper_m3_s (of the mean relation),
        mean_relation_pct (standard uncertainty), mark (a word of ``MARKS``). Beyond the limit discharge is missing.

    Raises
    ------
    RatingError
        Step not above 0, span upside down, or too many rows.
    """
    rises = step_m > 0 and span_m[1] >= span_m[0]
    first, last = _multiples(span_m, step_m) if rises else (0.0, 0.0)
    # a span without end has no number of rows
    if not (rises and last - first + 1 <= MOST_ROWS):
        msg = f"a step above 0, a span that rises and at most {MOST_ROWS} rows expected, found {span_m} m by {step_m} m"
        raise RatingError(msg)
    each, whole = np.arange(first, last + 1), np.round(1 / step_m)
    stage = each / whole if abs(whole * step_m - 1) < 1e-12 else each * step_m
    discharge = rating.discharge(stage)
    ends = rating.discharge(np.array(gauged_m))
    mark = marks(discharge, (float(ends[0]), float(ends[1])), beyond)
    within = mark != 3
    frame = pd.DataFrame({"stage_m": stage, "discharge_m3_s": np.where(within, discharge, np.nan)})
    frame["difference_m3_s"] = frame["discharge_m3_s"].diff()
    limits = np.full((3, stage.size), np.nan)
    if freedom > 0:
        about = band(rating, standard_error, freedom, stage, level)
        limits = np.where(within, np.array([about.lower, about.upper, 100 * about.mean_relation]), np.nan)
    frame["lower_m3_s"], frame["upper_m3_s"], frame["mean_relation_pct"] = limits
    frame["mark"] = np.array(MARKS)[mark]
    return frame


def _multiples(span_m: tuple[float, float], step_m: float) -> tuple[float, float]:
    """Return the first and last whole multiple of a step within a span; one at an end is within it to rounding."""
    with np.errstate(over="ignore", invalid="ignore"):
        low, high = np.divide(span_m, step_m)
    return float(np.ceil(low - 1e-9)), float(np.floor(high + 1e-9))
