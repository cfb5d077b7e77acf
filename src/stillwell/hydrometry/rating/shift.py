"""Shifts of a rating: what a gauging says, and the shift that holds at any moment and stage. Adopts nothing.

Sign: ``s = h_r(Q_m) - h_m``, the stage the rating gives for the measured discharge less the stage measured; discharge
is then ``rating(h + s)``. A control that fills raises stage for the same discharge, so s is below 0; one that scours
makes it positive. Backwater in the sense of observed stage less rating stage is minus this shift (derived).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.errors import RatingError
from stillwell.hydrometry.grouped import Groups
from stillwell.hydrometry.rating.rating import Rating

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]
Between = Literal["linear", "held"]


def of_gauging(rating: Rating, stage: Floats, discharge: Floats) -> Floats:
    """Compute ``s = h_r(Q_m) - h_m`` (m) of stages (m) and discharges (m3/s).

    An observed zero fixes no stage of the rating: its shift is the least that makes the rating zero, 0 where it is
    zero already.
    """
    shift = rating.stage(discharge) - stage
    return np.asarray(np.where(discharge == 0, np.minimum(shift, 0.0), shift))


def departure(discharge: Floats, rated: Floats) -> Floats:
    """Compute ``100 (Q_m - Q_r)/Q_r`` (%); NaN where the rating says 0."""
    out = np.full(np.broadcast(discharge, rated).shape, np.nan)
    np.divide(100 * (discharge - rated), rated, out=out, where=rated > 0)
    return out


def shifted(rating: Rating, stage: Floats, shift: Floats) -> Floats:
    """Compute ``Q = rating(h + s)`` (m3/s)."""
    return rating.discharge(stage + shift)


@dataclass(frozen=True)
class Shifts:
    """Shifts of one rating, ready to be asked.

    ``start`` (distinct, rising): when each holds exactly. ``points``: rows of its points in ``stage_m`` (rising within
    each; NaN: holds at every stage) and ``shift_m``.
    """

    start: Times
    points: Groups
    stage_m: Floats
    shift_m: Floats


def arranged(start: Times, stage_m: Floats, shift_m: Floats) -> Shifts:
    """Put rows of shifts in order: rows of one moment are the points of one shift curve.

    Parameters
    ----------
    start : datetime64 array, shape (rows,)
    stage_m : float array, shape (rows,)
        Stage of the point of a shift curve, NaN for a shift that holds at every stage.
    shift_m : float array, shape (rows,)

    Raises
    ------
    RatingError
        A moment or shift is missing, or one moment has two shifts at one stage, or a curve and a shift without stage.
    """
    if np.isnat(start).any() or not np.isfinite(shift_m).all() or np.isinf(stage_m).any():
        msg = "a moment and a finite shift expected of every row of shifts; none of these shifts is used"
        raise RatingError(msg)
    order = np.lexsort((stage_m, start))
    start, stage_m, shift_m = start[order], stage_m[order], shift_m[order]
    points = Groups.of(start)
    clash = points.joined & ~(stage_m[1:] > stage_m[:-1])
    if clash.any():
        msg = (
            f"one shift for each stage of a shift curve expected, found two at {start[1:][clash][0]}"
            f" (stage {stage_m[1:][clash][0]} m); none of these shifts is used"
        )
        raise RatingError(msg)
    return Shifts(start[points.first], points, stage_m, shift_m)


def _of_curves(shifts: Shifts, which: Ints, stage: Floats) -> Floats:
    """Read shift curve ``which`` at each stage: straight between its points, held beyond its ends."""
    top, bottom = shifts.points.last[which], shifts.points.first[which]
    single = bottom == top
    known = np.isfinite(shifts.stage_m)
    if not known.any():
        return shifts.shift_m[bottom]
    low = float(shifts.stage_m[known].min())
    width = float(shifts.stage_m[known].max()) - low + 1.0
    place = shifts.points.owner * width + np.where(known, shifts.stage_m - low, 0.0)
    first, last = shifts.stage_m[bottom], shifts.stage_m[top]
    within = np.where(
        single | np.isnan(stage), 0.0, np.clip(stage, np.where(single, 0, first), np.where(single, 0, last)) - low
    )
    at = np.interp(which * width + within, place, shifts.shift_m)
    return np.asarray(np.where(single, shifts.shift_m[bottom], np.where(np.isnan(stage), np.nan, at)))


def at_moments(shifts: Shifts, time: Times, stage: Floats, between: Between = "linear") -> tuple[Floats, Flags]:
    """Give the shift that holds at each moment and stage.

    Between two moments the shift goes in a straight line in time at the same stage (``linear``), or the earlier one
    holds until the later (``held``). Before the first and after the last the nearest is held, and the moment marked as
    estimated.

    Parameters
    ----------
    time : datetime64 array, shape (moments,)
    stage : float array, shape (moments,)
        m.

    Returns
    -------
    float array, shape (moments,)
        m; 0 where there are no shifts at all.
    bool array, shape (moments,)
        True before the first and after the last moment of a shift, and everywhere where there is none.
    """
    if not shifts.start.size:
        return np.zeros(time.size), np.ones(time.size, dtype=bool)
    after = np.searchsorted(shifts.start, time, side="right")
    early = np.clip(after - 1, 0, shifts.start.size - 1)
    late = np.clip(after, 0, shifts.start.size - 1)
    value = _of_curves(shifts, early, stage)
    if between == "linear":
        length = (shifts.start[late] - shifts.start[early]) / np.timedelta64(1, "us")
        gone = (time - shifts.start[early]) / np.timedelta64(1, "us")
        part = np.divide(gone, length, out=np.zeros(time.size), where=length > 0)
        value = value + part * (_of_curves(shifts, late, stage) - value)
    return value, (time < shifts.start[0]) | (time > shifts.start[-1])


def held_against(
    rating: Rating, time: Times, stage: Floats, discharge: Floats, uncertainty: Floats, shifts: Shifts | None = None
) -> pd.DataFrame:
    """Hold gaugings against a rating without and with shifts.

    Parameters
    ----------
    uncertainty : float array, shape (gaugings,)
        Expanded (95 %) relative uncertainty of each gauging, 1; NaN: unknown.

    Returns
    -------
    DataFrame
        time, stage_m, discharge_m3_s, rated_m3_s, departure_pct, uncertainty_pct, shift_m (what the gauging says by
        itself), within (its departure lies within its uncertainty), applied_shift_m, departure_after_pct.
    """
    rated = rating.discharge(stage)
    applied = np.zeros(stage.size) if shifts is None else at_moments(shifts, time, stage)[0]
    before = departure(discharge, rated)
    return pd.DataFrame(
        {
            "time": time,
            "stage_m": stage,
            "discharge_m3_s": discharge,
            "rated_m3_s": rated,
            "departure_pct": before,
            "uncertainty_pct": 100 * uncertainty,
            "shift_m": of_gauging(rating, stage, discharge),
            "within": np.where(rated > 0, np.abs(before) <= 100 * uncertainty, discharge == 0),
            "applied_shift_m": applied,
            "departure_after_pct": departure(discharge, shifted(rating, stage, applied)),
        }
    )
