"""Shifts of a rating: what a gauging says, and the shift that holds at any moment and stage. Adopts nothing.

Sign: ``s = h_r(Q_m) - h_m``, the stage the rating gives for the measured discharge less the stage measured; discharge
is then ``rating(h + s)``. A control that fills raises stage for the same discharge, so s is below 0; one that scours
makes it positive. Backwater in the sense of observed stage less rating stage is minus this shift (derived).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.errors import RatingError
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
    """Shifts of one rating: ``Q = rating(h + s)``, positive where the water stands lower than the rating says.

    One entry per row: ``from_us`` its moment; ``stage_m`` the recorded stage it belongs to, or NaN for every stage;
    ``shift_m`` s; ``uncertainty_m`` its standard uncertainty. Rows of one moment with stages make a shift by stage,
    linear between them and held beyond. Between two moments the shift at a stage is linear in time; before the first
    and after the last it is held.

    Raises
    ------
    RatingError
        A shift is missing, or rows of one moment contradict each other.
    """

    from_us: Ints
    stage_m: Floats
    shift_m: Floats
    uncertainty_m: Floats
    _times: Floats = field(init=False, repr=False)
    _stages: Floats = field(init=False, repr=False)
    _shift: Floats = field(init=False, repr=False)
    _unsure: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        times, owner = np.unique(self.from_us, return_inverse=True)
        by_stage = ~np.isnan(self.stage_m)
        entries = np.bincount(owner, minlength=times.size)
        mixed = (np.bincount(owner, weights=by_stage, minlength=times.size) != entries) & (entries > 1)
        keys = np.column_stack([self.from_us[by_stage], self.stage_m[by_stage]])
        doubled = len(np.unique(keys, axis=0)) != len(keys)
        if mixed.any() or doubled or not np.isfinite(self.shift_m).all() or np.isinf(self.stage_m).any():
            msg = (
                "expected shifts with one row per moment, or one row per stage of a moment, all with a value; "
                f"found {times.size} moments, {int(mixed.sum())} of them with rows that contradict each other"
            )
            raise RatingError(msg)
        stages = np.unique(self.stage_m[by_stage]) if by_stage.any() else np.zeros(1)
        moments = [np.flatnonzero(owner == k) for k in range(times.size)]
        for name, value in (("_shift", self.shift_m), ("_unsure", self.uncertainty_m)):
            rows = [
                np.full(stages.size, value[r[0]]) if r.size == 1 else self._by_stage(r, value, stages) for r in moments
            ]
            object.__setattr__(self, name, np.array(rows))
        object.__setattr__(self, "_times", times.astype(np.float64))
        object.__setattr__(self, "_stages", stages)

    def _by_stage(self, rows: Ints, value: Floats, stages: Floats) -> Floats:
        rows = rows[np.argsort(self.stage_m[rows])]
        return np.interp(stages, self.stage_m[rows], value[rows])

    def at(self, time_us: Ints, stage: Floats, between: Between = "linear") -> tuple[Floats, Floats, Flags]:
        """Give shift (m), its standard uncertainty (m) and whether it was held, at each time and recorded stage.

        Between two moments the shift goes in a straight line in time (``linear``), or the earlier one holds until the
        later (``held``). Without any shift it is 0, and held everywhere.
        """
        time = time_us.astype(np.float64)
        if not self._times.size:
            return np.zeros(time.size), np.zeros(time.size), np.ones(time.size, dtype=bool)
        outside = np.asarray((time < self._times[0]) | (time > self._times[-1]))
        if between == "held":
            time = self._times[np.maximum(np.searchsorted(self._times, time, side="right") - 1, 0)]
        if self._stages.size == 1:
            shift = np.interp(time, self._times, self._shift[:, 0])
            return shift, np.interp(time, self._times, self._unsure[:, 0]), outside
        k, part = _place(time, self._times)
        j, across = _place(stage, self._stages)
        return _bilinear(self._shift, k, part, j, across), _bilinear(self._unsure, k, part, j, across), outside


def _place(x: Floats, points: Floats) -> tuple[Ints, Floats]:
    """Find the interval of each value between points that rise, and how far along it lies, from 0 to 1."""
    if points.size == 1:
        return np.zeros(x.size, dtype=np.int64), np.zeros(x.size)
    low = np.clip(np.searchsorted(points, x, side="right") - 1, 0, points.size - 2)
    part = (x - points[low]) / (points[low + 1] - points[low])
    return low, np.clip(part, 0.0, 1.0)


def _bilinear(table: Floats, k: Ints, part: Floats, j: Ints, across: Floats) -> Floats:
    up, right = np.minimum(k + 1, table.shape[0] - 1), np.minimum(j + 1, table.shape[1] - 1)
    first = table[k, j] + across * (table[k, right] - table[k, j])
    second = table[up, j] + across * (table[up, right] - table[up, j])
    return np.asarray(first + part * (second - first))


def held_against(rating: Rating, time: Times, stage: Floats, discharge: Floats, uncertainty: Floats) -> pd.DataFrame:
    """Hold gaugings against a rating without shifts.

    Parameters
    ----------
    uncertainty : float array, shape (gaugings,)
        Expanded (95 %) relative uncertainty of each gauging, 1; NaN: unknown.

    Returns
    -------
    DataFrame
        time, stage_m, discharge_m3_s, rated_m3_s, departure_pct, uncertainty_pct, shift_m (what the gauging says by
        itself), within (its departure lies within its uncertainty).
    """
    rated = rating.discharge(stage)
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
        }
    )
