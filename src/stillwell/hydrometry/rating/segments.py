"""A rating as rows of segments and back, refusing rows that make no rating. Fits nothing."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.curve import Curve

APART = 0.01
"""How far two segments may differ where they meet, relative (chosen: rounding of coefficients to three figures)."""


def rows_of(curve: Curve) -> pd.DataFrame:
    """Write a curve as rows of the table of segments, from the lowest up; ``to_m`` is missing of the highest."""
    return pd.DataFrame(
        {
            "segment": np.arange(1, curve.lower_m.size + 1),
            "from_m": curve.lower_m,
            "to_m": np.r_[curve.lower_m[1:], np.nan],
            "coefficient": curve.coefficient,
            "zero_stage_m": curve.zero_m,
            "exponent": curve.exponent,
        }
    )


def curve_of(rows: pd.DataFrame, covariance: object = None) -> Curve:
    """Make the curve of rows as ``rows_of`` writes them, in any order.

    Parameters
    ----------
    rows : DataFrame
    covariance : object
        JSON text of the covariance of its law, row by row; anything else counts as not known.

    Raises
    ------
    RatingError
        None or more than four rows; a number missing; a coefficient or exponent not above 0; two segments from one
        stage; a segment that begins below its stage of zero flow; one that does not begin where the one below ends; a
        step, or a fall, where two meet.
    """
    rows = rows.sort_values("from_m", kind="stable")
    numbers = {name: rows[name].to_numpy(dtype=float) for name in ("from_m", "coefficient", "zero_stage_m", "exponent")}
    low, factor, zero, power = numbers.values()
    if not 1 <= low.size <= 4:
        msg = f"one to four segments expected, found {low.size}; this rating is not used"
        raise RatingError(msg)
    for name, values in numbers.items():
        least = 0.0 if name in ("coefficient", "exponent") else -np.inf
        bad = ~(np.isfinite(values) & (values > least))
        if bad.any():
            msg = f"a finite {name}{' above 0' if least == 0 else ''} expected of every segment, found {values[bad][0]}"
            raise RatingError(msg + "; this rating is not used")
    curve = Curve(low, factor, zero, power, _covariance(covariance, 3 * low.size))
    _refuse_steps(curve, rows["to_m"].to_numpy(dtype=float))
    return curve


def _covariance(text: object, size: int) -> NDArray[np.float64]:
    """Read a square matrix of this size; empty where the text is none."""
    nothing = np.zeros((0, 0))
    if not isinstance(text, str):
        return nothing
    try:
        matrix = np.asarray(json.loads(text), dtype=np.float64)
    except ValueError:
        return nothing
    return matrix if matrix.shape == (size, size) else nothing


def _refuse_steps(curve: Curve, top: np.ndarray) -> None:
    meet = curve.lower_m[1:]
    apart = np.isfinite(top[:-1]) & (np.abs(top[:-1] - meet) > 1e-9)
    if (np.diff(curve.lower_m) <= 0).any() or apart.any():
        msg = f"segments that begin where the one below ends expected, found from {curve.lower_m} and to {top} m"
        raise RatingError(msg + "; this rating is not used")
    under = curve.zero_m[1:] >= meet
    if under.any():
        msg = (
            f"a stage of zero flow below the foot of its segment ({meet[under][0]} m) expected, found"
            f" {curve.zero_m[1:][under][0]} m"
        )
        raise RatingError(msg + "; this rating is not used")
    below = curve.coefficient[:-1] * np.maximum(meet - curve.zero_m[:-1], 0) ** curve.exponent[:-1]
    above = curve.discharge(meet)
    bad = np.abs(above - below) > APART * above
    if bad.any():
        word = "fall" if above[bad][0] < below[bad][0] else "step"
        msg = (
            f"segments that meet within {100 * APART:g} % expected, found a {word} from {below[bad][0]:.4g} to"
            f" {above[bad][0]:.4g}"
            f" m3/s at {meet[bad][0]} m; this rating is not used"
        )
        raise RatingError(msg)
