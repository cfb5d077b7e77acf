"""A long record for a narrow picture: one column of pixels at a time, keeping every peak and every gap."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

PER_COLUMN = 4
"""Points a column becomes: first, least, greatest, last."""


def column_of(x: Floats, start: float, columns: int, width: float) -> Ints:
    """Say in which column of pixels each place lies."""
    return np.clip((x - start) / width * columns, 0, columns - 1).astype(np.int64)


def _runs(column: Ints) -> Ints:
    """Say where each column begins, of columns that never go back."""
    return np.flatnonzero(np.r_[True, column[1:] != column[:-1]])


def reduced(x: Floats, y: Floats, start: float, width: float, columns: int) -> tuple[Floats, Floats]:
    """Thin a line so that no peak is lost.

    Parameters
    ----------
    x : float array
        Places, px, rising.
    y : float array
        NaN where missing.
    start, width : float
        Left edge and width of the picture, px.
    columns : int
        Columns to make of it.

    Returns
    -------
    x, y : float arrays
        As handed in where there are few; else four points per column, NaN where a column has no value and between.
    """
    if x.size <= PER_COLUMN * columns:
        return x, y
    at = column_of(x, start, columns, width)
    known = np.isfinite(y)
    first = np.full(columns, np.nan)
    least, most, last = first.copy(), first.copy(), first.copy()
    if known.any():
        k, v = at[known], y[known]
        begin = _runs(k)
        names = k[begin]
        least[names], most[names] = np.minimum.reduceat(v, begin), np.maximum.reduceat(v, begin)
        first[names], last[names] = v[begin], v[np.r_[begin[1:], v.size] - 1]
    middle = start + (np.arange(columns) + 0.5) * width / columns
    return np.repeat(middle, PER_COLUMN), np.column_stack([first, least, most, last]).ravel()


def limits(
    x: Floats, low: Floats, high: Floats, start: float, width: float, columns: int
) -> tuple[Floats, Floats, Floats]:
    """Thin a band: least of the lower and greatest of the upper limit in each column; as is where there are few."""
    if x.size <= PER_COLUMN * columns:
        return x, low, high
    at = column_of(x, start, columns, width)
    known = np.isfinite(low) & np.isfinite(high)
    below, above = np.full(columns, np.nan), np.full(columns, np.nan)
    if known.any():
        begin = _runs(at[known])
        names = at[known][begin]
        below[names] = np.minimum.reduceat(low[known], begin)
        above[names] = np.maximum.reduceat(high[known], begin)
    return start + (np.arange(columns) + 0.5) * width / columns, below, above


def spans(x: Floats, flags: Flags, start: float, width: float, columns: int) -> list[tuple[float, float]]:
    """Say from where to where (px) something holds; at least one column wide."""
    if not flags.any():
        return []
    held = np.zeros(columns, dtype=bool)
    held[column_of(x[flags], start, columns, width)] = True
    edges = np.flatnonzero(np.diff(np.r_[False, held, False])) * (width / columns) + start
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
