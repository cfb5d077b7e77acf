"""A series over time, and the window of it that a hydrograph shows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from stillwell.drawing.thinning import Limits, Thinned, spans, thinned, thinned_limits
from stillwell.schemas.words import MARKS

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Series:
    """Values over time.

    ``times`` are microseconds since 1970 (UTC), rising; ``values`` NaN where missing; ``half`` the expanded uncertainty
    of each value, in ``unit``. ``codes`` number the marks of each value, whose texts ``marks`` holds, several of one
    value separated by ``; ``. ``step`` is the usual step, 0 of an uneven series. A line is drawn where ``joined``;
    ``levels`` says that each value is the mean of the step that begins with it.
    """

    title: str
    unit: str
    times: Ints
    values: Floats
    step: float
    joined: bool = True
    levels: bool = False
    half: Floats | None = None
    codes: Ints | None = None
    marks: tuple[str, ...] = ()

    @property
    def nbytes(self) -> int:
        """Memory its arrays take."""
        arrays = (self.times, self.values, self.half, self.codes)
        return sum(int(array.nbytes) for array in arrays if array is not None)

    def words(self) -> list[str]:
        """List the marks that occur, in the order of the closed list."""
        used = {word for cell in self.marks for word in cell.split("; ") if word}
        return sorted(used, key=lambda word: (MARKS.index(word) if word in MARKS else len(MARKS), word))

    def marked(self, word: str, first: int, last: int) -> Flags:
        """Return for each value of a part of the series whether it has a mark."""
        if self.codes is None:
            return np.zeros(last - first, dtype=np.bool_)
        # code -1 stands for no mark at all, and selects the empty text appended here
        return np.array([word in cell.split("; ") for cell in (*self.marks, "")])[self.codes[first:last]]


@dataclass(frozen=True)
class Window:
    """What is shown of a series: ``start <= t < end``, microseconds since 1970, thinned to ``width`` equal spans."""

    series: Series
    start: int
    end: int
    width: int

    @cached_property
    def thinned(self) -> Thinned:
        """The values that are drawn."""
        s = self.series
        return thinned(s.times, s.values, self.start, self.end, self.width, s.step)

    @cached_property
    def band(self) -> Limits | None:
        """Limits of the expanded uncertainty, None where the series has none."""
        s = self.series
        if s.half is None:
            return None
        first, last = self._reach
        value, half = s.values[first:last], s.half[first:last]
        limits = thinned_limits(
            self.thinned, first, s.times[first:last], value - half, value + half, (self.start, self.end), self.width
        )
        return limits if limits.times.size else None

    @cached_property
    def marks(self) -> list[tuple[str, list[list[int]]]]:
        """The marks of values in the window, each with its spans of time."""
        s = self.series
        if s.codes is None:
            return []
        first, last = self._reach
        out = []
        for word in s.words():
            flags = s.marked(word, first, last)
            of_mark = spans(s.times[first:last], flags, (self.start, self.end), self.width, s.step)
            if of_mark:
                out.append((word, of_mark))
        return out

    @property
    def _reach(self) -> tuple[int, int]:
        """Places of the values of the window, and one more on each side."""
        times = self.series.times
        first, last = np.searchsorted(times, self.start, "left"), np.searchsorted(times, self.end, "left")
        return max(int(first) - 1, 0), min(int(last) + 1, times.size)

    def greatest(self) -> int | None:
        """Return the place in the series of the greatest value of the window; None without any."""
        t = self.thinned
        inside = np.flatnonzero((t.times >= self.start) & (t.times < self.end))
        return int(t.places[inside[np.argmax(t.values[inside])]]) if inside.size else None
