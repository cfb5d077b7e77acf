"""Arrow tables as the bytes of a Parquet file, at once or in pieces. The same rows give the same bytes."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from stillwell.intake.values.one_value import only_value, spread

ROWS_PER_GROUP = 500_000
"""Rows of a row group of a file that is not of a compaction."""


def to_parquet(table: pa.Table, rows_per_group: int = ROWS_PER_GROUP) -> bytes:
    """Write an Arrow table as Parquet with page checksums; the same table gives the same bytes."""
    sink = pa.BufferOutputStream()
    with _writer(sink, table.schema) as writer:
        for at in range(0, max(len(table), 1), rows_per_group):
            _write_group(writer, table.slice(at, rows_per_group), rows_per_group)
    return bytes(sink.getvalue())


def parquet_pieces(
    schema: pa.Schema, tables: Iterable[pa.Table], rows_per_group: int = ROWS_PER_GROUP
) -> Iterator[bytes]:
    """Write Arrow tables one after the other as one Parquet file, of which no more than a row group is held.

    Parameters
    ----------
    schema : pyarrow.Schema
        Of each of them.
    tables : iterable of pyarrow.Table
    rows_per_group : int

    Yields
    ------
    bytes
        Pieces of the file in order; together the bytes that ``to_parquet`` gives for the tables joined.
    """
    sink = _Taken()
    with _writer(pa.PythonFile(sink, mode="w"), schema) as writer:
        held, empty = schema.empty_table(), True
        for table in tables:
            held = pa.concat_tables([held, table])
            while len(held) >= rows_per_group:
                _write_group(writer, held.slice(0, rows_per_group), rows_per_group)
                held, empty = held.slice(rows_per_group), False
                yield sink.taken()
        if len(held) or empty:
            _write_group(writer, held, rows_per_group)
        del held
        yield sink.taken()
    yield sink.taken()


class _Taken(io.RawIOBase):
    """A file whose bytes are taken away as they come."""

    def __init__(self) -> None:
        self._pieces: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._pieces.append(bytes(data))
        return len(data)

    def taken(self) -> bytes:
        """Return what was written since this was last asked."""
        data = b"".join(self._pieces)
        self._pieces.clear()
        return data


def _writer(sink: Any, schema: pa.Schema) -> pq.ParquetWriter:
    return pq.ParquetWriter(
        sink,
        schema,
        version="2.6",
        data_page_version="1.0",
        compression="zstd",
        compression_level=3,
        use_dictionary=[field.name for field in schema if pa.types.is_string(field.type)],
        write_page_checksum=True,
        write_page_index=True,
        store_schema=True,
    )


def _write_group(writer: pq.ParquetWriter, group: pa.Table, rows_per_group: int) -> None:
    # pieces of the same size whatever the table came in: pages end where pieces do
    columns = [_whole(column) for column in group.columns]
    writer.write_table(pa.Table.from_arrays(columns, schema=group.schema), row_group_size=rows_per_group)


def _whole(column: pa.ChunkedArray) -> pa.Array | pa.ChunkedArray:
    """Join the pieces of a column; one of a single text is not written out."""
    cell = only_value(column)
    if cell is not None:
        return spread(cell, len(column))
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
