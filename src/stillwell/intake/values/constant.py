"""Columns of one value, held once however many rows they have. Reads nothing, decides nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

AT_ONCE = 2**16
"""Rows of one text that are written out; a longer column is made of the same rows again and again."""
FEW = 16
"""Texts of which each has pieces of its own; a column of many pieces is slow to work with."""


def missing(kind: str, count: int) -> pd.Series:
    """Make a column in which every cell is missing.

    Parameters
    ----------
    kind : str
        text, number, count, flag or time, as ``stillwell.schemas.derive`` names them.
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


def only_value(values: pd.Series | pa.ChunkedArray) -> pa.Array | None:
    """Return the one value that every cell of a column of texts holds, as an array of length 1.

    Parameters
    ----------
    values : Series of str, or chunked array

    Returns
    -------
    Array or None
        None where there are several, none, or the column is none of text.
    """
    if isinstance(values, pd.Series):
        if not isinstance(values.dtype, pd.StringDtype) or values.dtype.storage != "pyarrow":
            return None
        whole = pa.array(values.array)
        values = whole if isinstance(whole, pa.ChunkedArray) else pa.chunked_array([whole])
    if not len(values) or not (pa.types.is_large_string(values.type) or pa.types.is_string(values.type)):
        return None
    first = values.slice(0, 1).combine_chunks()
    if values.null_count:
        return first if values.null_count == len(values) else None
    seen = set()
    for piece in values.chunks:
        # pieces that share their memory are looked at once
        where = (*(0 if part is None else part.address for part in piece.buffers()), piece.offset, len(piece))
        if where not in seen and not pc.all(pc.equal(piece, first[0]), min_count=0).as_py():
            return None
        seen.add(where)
    return first


def taken(rows: pd.DataFrame, which: NDArray[np.bool_] | NDArray[np.int64]) -> pd.DataFrame:
    """Take some rows by flags or places, as ``rows.iloc[which]``; a text that all rows share is not written out.

    Parameters
    ----------
    rows : DataFrame
    which : array of bool or of int

    Returns
    -------
    DataFrame
        With the index of the rows taken; the rows themselves where all are.
    """
    if which.dtype == bool and which.all():
        return rows
    place = np.flatnonzero(which) if which.dtype == bool else which
    out = {}
    for name, values in rows.items():
        cell = only_value(values) if len(rows) > AT_ONCE else None
        if cell is None:
            out[name] = values.array.take(place)
        else:
            out[name] = _text(_chunks(cell.cast(pa.large_string()), place.size))
    return pd.DataFrame(out, index=rows.index[place], copy=False)


def distinct(rows: pd.DataFrame, names: Sequence[str]) -> list[tuple[str, ...]]:
    """List the different texts of one column, or combinations of several, in the order of their first rows.

    Parameters
    ----------
    rows : DataFrame
    names : sequence of str
        Columns of text.

    Returns
    -------
    list of tuple of str
        Without those of which a part is missing.
    """
    if rows.empty:
        return []
    cells = [only_value(rows[name]) for name in names]
    if all(cell is not None for cell in cells):
        one = tuple(cell[0].as_py() for cell in cells if cell is not None)
        return [] if None in one else [one]
    several = rows[list(names)].drop_duplicates().dropna()
    return list(several.itertuples(index=False, name=None))


def spread(cell: pa.Array, count: int) -> pa.ChunkedArray:
    """Write one value out for some rows, in pieces that share their memory."""
    return pa.chunked_array(_chunks(cell, count), cell.type)


def _chunks(cell: pa.Array, count: int) -> list[pa.Array]:
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
