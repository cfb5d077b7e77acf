"""A Parquet file written in pieces is the file written at once, and its rows are asked for as it grows."""

from __future__ import annotations

import io
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from stillwell.archive.tables.parquet_bytes import parquet_pieces, to_parquet

ROWS = 1_000
TABLE = pa.table(
    {
        "site": np.where(np.arange(ROWS) < 400, "A", "B"),
        "only": ["x"] * ROWS,
        "value": np.random.default_rng(1).normal(size=ROWS),
    }
)


@pytest.mark.parametrize("cuts", [[], [400], [1, 2, 3, 400, 999], [300, 600, 900]])
@pytest.mark.parametrize("group", [100, 300, 1_000, 5_000])
def test_pieces_are_the_bytes_of_the_whole_however_rows_are_parted(cuts, group):
    """Joined, the pieces are what the rows come to at once, and another library reads the rows back."""
    ends = [0, *cuts, ROWS]
    parts = [TABLE.slice(start, end - start) for start, end in pairwise(ends)]
    data = b"".join(parquet_pieces(TABLE.schema, iter(parts), group))
    assert data == to_parquet(TABLE, group)
    assert pq.read_table(io.BytesIO(data)).equals(TABLE)


@pytest.mark.parametrize("parts", [[], [TABLE.slice(0, 0)]])
def test_no_rows_make_a_file_of_the_columns(parts):
    """A file without rows still describes its columns, as one written at once does."""
    assert b"".join(parquet_pieces(TABLE.schema, iter(parts), 100)) == to_parquet(TABLE.slice(0, 0), 100)


def test_rows_are_asked_for_when_those_before_them_are_written():
    """With row groups of 100 rows and tables of 50, two tables are taken for each piece, never all twenty."""
    taken = []

    def tables():
        for start in range(0, ROWS, 50):
            taken.append(start)
            yield TABLE.slice(start, 50)

    pieces = parquet_pieces(TABLE.schema, tables(), 100)
    counts = [len(taken) for _ in pieces]
    assert counts[:10] == list(range(2, 22, 2))
