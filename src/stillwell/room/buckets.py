"""Long series made short enough to draw, without losing a peak. Pure: arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GAP_STEPS = 3.0
"""A hole this many usual steps wide breaks the line."""

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Drawn:
    """What is drawn of a window of a series.

    ``times`` are in microseconds since 1970, ``values`` never missing; ``breaks`` says where the line is lifted before
    a value. ``taken`` values lay in the window, ``low`` to ``high``.
    """

    times: _Ints
    values: _Floats
    breaks: NDArray[np.bool_]
    taken: int
    low: float
    high: float


def usual_step(times: _Ints) -> float:
    """Return the median step of a series in microseconds, 0 where there is none."""
    return float(np.median(np.diff(times))) if times.size > 1 else 0.0


def drawn(times: _Ints, values: _Floats, start: int, end: int, width: int, step: float = 0.0) -> Drawn:
    """Pick, for each of ``width`` equal spans of a window, its least and its greatest value where they stand.

    Parameters
    ----------
    times : array of int, shape (n,)
        Microseconds since 1970, ascending.
    values : array of float, shape (n,)
        NaN where there is no value; no line is drawn across one, unless the hole is narrower than two spans of many.
    start, end : int
        The window, both ends in it; the value next to it on each side is kept too, so that a line leads out of it.
    width : int
        Number of spans, of which each gives at most two values.
    step : float
        Usual step of the whole series; a hole of more than three of them, and wider than a span, breaks the line.

    Returns
    -------
    Drawn
    """
    first, last = int(np.searchsorted(times, start, "left")), int(np.searchsorted(times, end, "right"))
    inside = values[first:last]
    known = inside[np.isfinite(inside)]
    low, high = (float(known.min()), float(known.max())) if known.size else (float("nan"), float("nan"))
    first, last = max(first - 1, 0), min(last + 1, times.size)
    t, v = times[first:last], values[first:last]
    missing = ~np.isfinite(v)
    if missing.any():
        holes = np.cumsum(missing)[~missing]
        t, v = t[~missing], v[~missing]
    else:
        holes = np.zeros(t.size, dtype=np.int64)
    picked = _picked(t, v, start, end, width)
    t, v, holes = t[picked], v[picked], holes[picked]
    breaks = np.zeros(t.size, dtype=np.bool_)
    if t.size > 1:
        span = (end - start) / width
        breaks[1:] = (np.diff(holes) > 0) & ((np.diff(t) > 2 * span) | (t.size <= width))
        if step > 0:
            breaks[1:] |= np.diff(t) > max(GAP_STEPS * step, 2 * span)
    return Drawn(t, v, breaks, int(known.size), low, high)


def _picked(t: _Ints, v: _Floats, start: int, end: int, width: int) -> NDArray[np.int64]:
    """Find the places of the least and greatest value of each span, in order of time."""
    if t.size <= 2 * width or end <= start:
        return np.arange(t.size)
    edges = start + (np.arange(1, width) * ((end - start) / width)).astype(np.int64)
    starts = np.unique(np.concatenate([[0], np.searchsorted(t, edges, "left")]))
    starts = starts[starts < t.size]
    counts = np.diff(np.append(starts, t.size))
    return np.unique(np.concatenate([_places(np.minimum, v, starts, counts), _places(np.maximum, v, starts, counts)]))


def _places(ufunc: np.ufunc, v: _Floats, starts: NDArray[np.int64], counts: NDArray[np.int64]) -> NDArray[np.int64]:
    best = np.repeat(ufunc.reduceat(v, starts), counts)
    places = np.flatnonzero(v == best)
    first = np.searchsorted(places, starts)
    return places[first]
