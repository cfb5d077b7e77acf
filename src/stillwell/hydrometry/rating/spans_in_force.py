"""What holds at a moment: ratings, and spans in which something acted. Proposes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntFlag
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.rating.rating import Rating
from stillwell.hydrometry.rating.shift import Shifts

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
