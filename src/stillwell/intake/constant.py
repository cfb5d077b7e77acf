"""Columns of one value, held once however many rows they have. Reads nothing, decides nothing."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pyarrow as pa

AT_ONCE = 2**16
"""Rows of one text that are written out; a longer column is made of the same rows again and again."""
FEW = 16
"""Texts of which each has pieces of its own; a column of many pieces is slow to work with."""


def missing(kind: str, count: int) -> pd.Series:
    """Make a column in which every cell is missing.

    Parameters
    ----------
    kind : str
        text, number, count, flag or time, as ``schemas.derive`` names them.
    count : int
        Rows.

    Returns
    -------
    Series
        Not to be written into.
    """
    return pd.Series(_MISSING[kind](count), copy=False)


def repeated(words: list[str], sizes: list[int]) -> pd.Series[str]:
    """Make a column of texts, each for as many rows as it has.

    Parameters
    ----------
    words : list of str
    sizes : list of int
        Rows of each, in the same order.

    Returns
    -------
    Series of str
    """
    cells = pa.array(words, pa.large_string())
    if len(words) > FEW:
        whole = cells.take(pa.array(np.repeat(np.arange(len(words)), sizes)))
        return pd.Series(_text([whole]), copy=False)
    parts = (_chunks(cells.slice(i, 1), size) for i, size in enumerate(sizes))
    return pd.Series(_text([chunk for part in parts for chunk in part]), copy=False)


def _chunks(cell: pa.Array, count: int) -> list[pa.Array]:
    """Write a cell out for some rows, in pieces that share their memory."""
    whole = cell.take(pa.array(np.zeros(min(count, AT_ONCE), dtype=np.int64)))
    return [whole] * (count // AT_ONCE) + ([whole.slice(0, count % AT_ONCE)] if count % AT_ONCE else [])


def _text(chunks: list[pa.Array]) -> pd.api.extensions.ExtensionArray:
    return pd.array(pa.chunked_array(chunks, pa.large_string()), dtype="str")


def _no_counts(count: int) -> pd.arrays.IntegerArray:
    return pd.arrays.IntegerArray(np.broadcast_to(np.int64(1), count), np.broadcast_to(np.True_, count))


def _no_flags(count: int) -> pd.arrays.BooleanArray:
    return pd.arrays.BooleanArray(np.broadcast_to(np.False_, count), np.broadcast_to(np.True_, count))


def _no_times(count: int) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(np.full(count, "NaT", dtype="datetime64[us]"), tz="UTC")


_MISSING: dict[str, Callable[[int], object]] = {
    "text": lambda count: _text(_chunks(pa.nulls(1, pa.large_string()), count)),
    "number": lambda count: np.broadcast_to(np.nan, count),
    "count": _no_counts,
    "flag": _no_flags,
    "time": _no_times,
}
