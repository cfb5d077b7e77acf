"""Arrow columns of one text, held once however many rows they have. Reads nothing, decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    import pandas as pd

AT_ONCE = 2**16
"""Rows of one text that are written out; a longer column is made of the same rows again and again."""


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
    if not isinstance(values, pa.ChunkedArray):
        # who reads and writes Arrow tables does without pandas
        import pandas as pd

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


def spread(cell: pa.Array, count: int) -> pa.ChunkedArray:
    """Write one value out for some rows, in pieces that share their memory."""
    return pa.chunked_array(chunks(cell, count), cell.type)


def chunks(cell: pa.Array, count: int) -> list[pa.Array]:
    """Write one value out for some rows, as the pieces of ``spread``."""
    whole = cell.take(pa.array(np.zeros(min(count, AT_ONCE), dtype=np.int64)))
    return [whole] * (count // AT_ONCE) + ([whole.slice(0, count % AT_ONCE)] if count % AT_ONCE else [])
