"""Columns of one value, held once however many rows they have. Reads nothing, decides nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from stillwell.intake.values.one_value import AT_ONCE, chunks, only_value

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
    parts = (chunks(cells.slice(i, 1), size) for i, size in enumerate(sizes))
    return pd.Series(_text([chunk for part in parts for chunk in part]), copy=False)


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
            out[name] = _text(chunks(cell.cast(pa.large_string()), place.size))
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


def _text(chunks: list[pa.Array]) -> pd.api.extensions.ExtensionArray:
    return pd.array(pa.chunked_array(chunks, pa.large_string()), dtype="str")


def _no_counts(count: int) -> pd.arrays.IntegerArray:
    return pd.arrays.IntegerArray(np.broadcast_to(np.int64(1), count), np.broadcast_to(np.True_, count))


def _no_flags(count: int) -> pd.arrays.BooleanArray:
    return pd.arrays.BooleanArray(np.broadcast_to(np.False_, count), np.broadcast_to(np.True_, count))


def _no_times(count: int) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(np.full(count, "NaT", dtype="datetime64[us]"), tz="UTC")


_MISSING: dict[str, Callable[[int], object]] = {
    "text": lambda count: _text(chunks(pa.nulls(1, pa.large_string()), count)),
    "number": lambda count: np.broadcast_to(np.nan, count),
    "count": _no_counts,
    "flag": _no_flags,
    "time": _no_times,
}
