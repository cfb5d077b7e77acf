"""What holds at a moment: ratings, the shifts of a rating, and spans in which something acted. Proposes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntFlag
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.rating.rating import Rating

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Bits = NDArray[np.uint8]


class Mark(IntFlag):
    """How a value of a record came about; bits of one byte, kept apart from any quality."""

    ESTIMATED = 1
    BELOW_GAUGED = 2
    ABOVE_GAUGED = 4
    ICE = 8
    BACKWATER = 16
    SHIFT_HELD = 32
    NO_RATING = 64


@dataclass(frozen=True)
class Spans:
    """Spans ``[from, to)`` in which a mark holds: microseconds since 1970, and the bits of each."""

    from_us: Ints
    to_us: Ints
    bits: Bits

    def marks(self, time_us: Ints) -> Bits:
        """Say which bits hold at each time, of times that do not go back."""
        out = np.zeros(time_us.size, dtype=np.uint8)
        low, high = np.searchsorted(time_us, self.from_us), np.searchsorted(time_us, self.to_us)
        for first, last, bits in zip(low, high, self.bits, strict=True):
            out[first:last] |= bits
        return out


@dataclass(frozen=True)
class Table:
    """A line through points, held beyond both ends; quick where the points are evenly spaced."""

    at: Floats
    value: Floats
    _even: bool = field(init=False)

    def __post_init__(self) -> None:
        steps = np.diff(self.at)
        if self.at.size == 0 or self.at.shape != self.value.shape or not (steps > 0).all():
            msg = f"expected points that rise and a value for each, found {self.at.size} and {self.value.size} of them"
            raise ValueError(msg)
        even = self.at.size > 1 and bool(np.ptp(steps) <= 1e-9 * steps.mean())
        object.__setattr__(self, "_even", even)

    def __call__(self, x: Floats) -> Floats:
        """Interpolate; NaN of NaN."""
        if not self._even:
            return np.interp(x, self.at, self.value)
        place = (x - self.at[0]) * ((self.at.size - 1) / (self.at[-1] - self.at[0]))
        np.clip(place, 0.0, self.at.size - 1.0, out=place)
        known = np.nan_to_num(place)
        cell = np.minimum(known.astype(np.int64), self.at.size - 2)
        place -= cell
        return np.asarray(self.value.take(cell) + place * np.diff(self.value).take(cell))


@dataclass(frozen=True)
class Shifts:
    """Shifts of one rating: ``Q = rating(h + s)``, positive where the water stands lower than the rating says.

    One entry per row: ``from_us`` its moment; ``stage_m`` the recorded stage it belongs to, or NaN for every stage;
    ``shift_m`` s; ``uncertainty_m`` its standard uncertainty. Rows of one moment with stages make a shift by stage,
    linear between them and held beyond. Between two moments the shift at a stage is linear in time; before the first
    and after the last it is held.
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
        if not times.size or mixed.any() or doubled or not np.isfinite(self.shift_m).all():
            msg = (
                "expected shifts with one row per moment, or one row per stage of a moment, all with a value; "
                f"found {times.size} moments, {int(mixed.sum())} of them with rows that contradict each other"
            )
            raise ValueError(msg)
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

    def at(self, time_us: Ints, stage: Floats) -> tuple[Floats, Floats, Flags]:
        """Give shift (m), its standard uncertainty (m) and whether it was held, at each time and recorded stage."""
        time = time_us.astype(np.float64)
        outside = np.asarray((time < self._times[0]) | (time > self._times[-1]))
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


@dataclass(frozen=True)
class RatingInForce:
    """A rating from the moment it holds until the next one does.

    ``uncertainty`` gives the relative standard uncertainty (1) of the mean relation by rated stage (m), held beyond its
    ends. ``lowest_m`` and ``highest_m`` are the gauged range of rated stage; NaN where it is not known.
    """

    valid_from_us: int
    curve: Rating
    lowest_m: float
    highest_m: float
    uncertainty: Table
    shifts: Shifts | None = None


def spans_of_ratings(ratings: Sequence[RatingInForce]) -> list[tuple[int, int]]:
    """Say from when to when each rating holds, half-open: ``[valid from, valid from of the next)``.

    Parameters
    ----------
    ratings : sequence of RatingInForce
        In the order they hold.

    Returns
    -------
    list of (int, int)
        Microseconds since 1970; the last one ends at the greatest integer.

    Raises
    ------
    ValueError
        A rating does not hold later than the one before it.
    """
    starts = [rating.valid_from_us for rating in ratings]
    if any(later <= earlier for earlier, later in pairwise(starts)):
        msg = f"expected ratings in the order they hold, each later than the one before; found {starts}"
        raise ValueError(msg)
    return list(pairwise([*starts, int(np.iinfo(np.int64).max)]))
