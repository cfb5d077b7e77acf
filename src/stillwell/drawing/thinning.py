"""Thin a long series to a picture's width without losing a peak or a gap. Pure: arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GAP_STEPS = 3.0
"""A hole this many usual steps wide breaks the line."""

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Thinned:
    """The values of a window that are drawn.

    ``times`` are in microseconds since 1970, ``values`` never missing; ``breaks`` says where the line is lifted before
    a value. ``taken`` values lay in the window, ``low`` to ``high``. ``places`` says where each stands in the series;
    ``thinned`` whether values were left out.
    """

    times: _Ints
    values: _Floats
    breaks: NDArray[np.bool_]
    taken: int
    low: float
    high: float
    places: _Ints
    thinned: bool


def usual_step(times: _Ints) -> float:
    """Return the median step of a series in microseconds, 0 where there is none."""
    return float(np.median(np.diff(times))) if times.size > 1 else 0.0


def thinned(times: _Ints, values: _Floats, start: int, end: int, width: int, step: float = 0.0) -> Thinned:
    """Pick, for each of ``width`` equal spans of a window, its least and its greatest value where they stand.

    Parameters
    ----------
    times : array of int, shape (n,)
        Microseconds since 1970, ascending.
    values : array of float, shape (n,)
        NaN where there is no value; no line is drawn across one, unless the hole is narrower than two spans of many.
    start, end : int
        The window, ``start <= t < end``; the value next to it on each side is kept too, so that a line leads out of it.
    width : int
        Number of spans, of which each gives at most two values.
    step : float
        Usual step of the whole series; a hole of more than three of them, and wider than a span, breaks the line.

    Returns
    -------
    Thinned
    """
    first, last = int(np.searchsorted(times, start, "left")), int(np.searchsorted(times, end, "left"))
    inside = values[first:last]
    known = inside[np.isfinite(inside)]
    low, high = (float(known.min()), float(known.max())) if known.size else (float("nan"), float("nan"))
    first, last = max(first - 1, 0), min(last + 1, times.size)
    t, v = times[first:last], values[first:last]
    places = np.arange(first, last)
    missing = ~np.isfinite(v)
    if missing.any():
        holes = np.cumsum(missing)[~missing]
        t, v, places = t[~missing], v[~missing], places[~missing]
    else:
        holes = np.zeros(t.size, dtype=np.int64)
    picked = _extremes(t, v, start, end, width)
    left_out = picked.size < t.size
    t, v, holes, places = t[picked], v[picked], holes[picked], places[picked]
    breaks = np.zeros(t.size, dtype=np.bool_)
    if t.size > 1:
        span = (end - start) / width
        breaks[1:] = (np.diff(holes) > 0) & ((np.diff(t) > 2 * span) | (t.size <= width))
        if step > 0:
            breaks[1:] |= np.diff(t) > max(GAP_STEPS * step, 2 * span)
    return Thinned(t, v, breaks, int(known.size), low, high, places, left_out)


def _extremes(t: _Ints, v: _Floats, start: int, end: int, width: int) -> NDArray[np.int64]:
    """Return the places of the least and the greatest value of each span, in order of time."""
    if t.size <= 2 * width or end <= start:
        return np.arange(t.size)
    edges = start + (np.arange(1, width) * ((end - start) / width)).astype(np.int64)
    starts = np.unique(np.concatenate([[0], np.searchsorted(t, edges, "left")]))
    starts = starts[starts < t.size]
    counts = np.diff(np.append(starts, t.size))
    return np.unique(
        np.concatenate([_first_places(np.minimum, v, starts, counts), _first_places(np.maximum, v, starts, counts)])
    )


@dataclass(frozen=True)
class Limits:
    """Lower and upper limits at some moments; ``breaks`` says before which the band is interrupted."""

    times: _Ints
    low: _Floats
    high: _Floats
    breaks: NDArray[np.bool_]


def thinned_limits(
    picked: Thinned, first: int, times: _Ints, low: _Floats, high: _Floats, window: tuple[int, int], width: int
) -> Limits:
    """Make the limits of a series as short as its line: of each span the least lower and the greatest upper limit.

    Parameters
    ----------
    picked : Thinned
        The line, for where it is broken.
    first : int
        Place in the series of the first moment handed in.
    times, low, high : arrays, shape (n,)
        Moments that hold the window, with the limits of each value; NaN where there are none.
    window : (int, int)
    width : int
        As handed to ``thinned``.

    Returns
    -------
    Limits
    """
    if not picked.thinned:
        places = picked.places - first
        sure = np.isfinite(low[places]) & np.isfinite(high[places])
        gone = np.cumsum(~sure)[sure]
        at = places[sure]
        return Limits(times[at], low[at], high[at], picked.breaks[sure] | (np.diff(gone, prepend=gone[:1]) > 0))
    start, end = window
    inside = np.isfinite(low) & np.isfinite(high) & (times >= start) & (times < end)
    known = np.flatnonzero(inside)
    if not known.size:
        return Limits(times[:0], low[:0], high[:0], np.zeros(0, dtype=np.bool_))
    cell = np.clip((times[known] - start) // max((end - start) // width, 1), 0, width - 1)
    begin = np.flatnonzero(np.diff(cell, prepend=-1))
    middle = start + ((cell[begin] + 0.5) * ((end - start) / width)).astype(np.int64)
    least, most = np.minimum.reduceat(low[known], begin), np.maximum.reduceat(high[known], begin)
    passed = np.searchsorted(picked.times[picked.breaks], middle)
    return Limits(middle, least, most, np.diff(passed, prepend=passed[:1]) > 0)


def spans(times: _Ints, flags: NDArray[np.bool_], window: tuple[int, int], width: int, step: float) -> list[list[int]]:
    """Return the spans of time in which a flag holds, each at least one span of the picture wide.

    Parameters
    ----------
    times : array of int, shape (n,)
    flags : array of bool, shape (n,)
        Whether the flag holds at each moment; between two flagged values that follow each other it holds throughout.
    window : (int, int)
    width : int
        Spans of the window.
    step : float
        Usual step of the series, for how long the last value of a run holds.

    Returns
    -------
    list of [int, int]
        Half-open, in microseconds since 1970.
    """
    start, end = window
    on = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    since, until = times[on[::2]], times[on[1::2] - 1] + int(step)
    seen = (since < end) & (until >= start)
    since, until = since[seen], until[seen]
    span = max((end - start) / width, 1.0)
    low = np.clip(((since - start) / span).astype(np.int64), 0, width - 1)
    high = np.maximum(np.clip(np.ceil((until - start) / span).astype(np.int64), 0, width), low + 1)
    depth = np.bincount(low, minlength=width + 1) - np.bincount(high, minlength=width + 1)
    edges = np.flatnonzero(np.diff(np.r_[False, np.cumsum(depth)[:width] > 0, False].astype(np.int8)))
    return [[int(start + a * span), int(start + b * span)] for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _first_places(
    ufunc: np.ufunc, v: _Floats, starts: NDArray[np.int64], counts: NDArray[np.int64]
) -> NDArray[np.int64]:
    best = np.repeat(ufunc.reduceat(v, starts), counts)
    places = np.flatnonzero(v == best)
    first = np.searchsorted(places, starts)
    return places[first]
