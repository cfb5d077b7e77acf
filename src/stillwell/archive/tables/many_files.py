"""Many small table files read at once. Writes nothing.

Arrow sets up a decompressor for every column of every file, which is most of the work on a file of few rows; DuckDB
keeps one. Only for files whose bytes were held against their digests, since page checksums are not looked at here.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa

from stillwell.archive.tables.table_files import as_frame, read_files

if TYPE_CHECKING:
    import pandas as pd

MANY = 64
"""Files from which on they are read at once."""
_PATTERN = frozenset("*?[")
"""Characters that DuckDB takes for those of a pattern of paths."""


def read_whole(paths: Sequence[Path], schema: pa.Schema) -> pd.DataFrame:
    """Read whole table files into one frame, as ``table_files.read_files`` does.

    Parameters
    ----------
    paths : sequence of Path
        Files whose bytes were held against their digests.
    schema : pyarrow.Schema
        What the frame must have.

    Returns
    -------
    DataFrame

    Raises
    ------
    ArchiveDamaged
        If a file is missing or cannot be read.
    """
    names = [str(path) for path in paths]
    if len(names) < MANY or any(not _PATTERN.isdisjoint(name) for name in names):
        return read_files(paths, schema=schema)
    rows = _at_once(names)
    return read_files(paths, schema=schema) if rows is None or not _fits(rows, schema) else as_frame([rows], schema)


def kept_rows(rows: pd.DataFrame, path: Path) -> None:
    """Leave the rows of a table for another process, as ``rows_kept`` reads them.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    table = pa.Table.from_pandas(rows, preserve_index=False)
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)


def rows_kept(path: Path) -> pd.DataFrame:
    """Read the rows of a table that another process left."""
    with pa.memory_map(str(path)) as source:
        table = pa.ipc.open_file(source).read_all()
    return as_frame([table], pa.schema([field.with_type(_PLAIN.get(field.type, field.type)) for field in table.schema]))


_PLAIN = {pa.large_string(): pa.string()}
"""Types of a frame's columns, and those that frames are made of."""


def _at_once(names: list[str]) -> pa.Table | None:
    """Read files in their order; None where DuckDB cannot, which leaves it to Arrow to read or to name the file."""
    import duckdb

    with duckdb.connect(config={"threads": 1, "autoinstall_known_extensions": False}) as connection:
        try:
            relation = connection.sql(
                "SELECT * FROM read_parquet($paths, union_by_name = true, hive_partitioning = false)",
                params={"paths": names},
            )
            return relation.to_arrow_table()
        except duckdb.Error:
            return None


def _fits(rows: pa.Table, schema: pa.Schema) -> bool:
    """Whether every column is one of the schema and of its type; retired columns and other types are for Arrow."""
    known = {field.name: field.type for field in schema}
    return all(_like(field.type, known.get(field.name)) for field in rows.schema)


def _like(kind: pa.DataType, wanted: pa.DataType | None) -> bool:
    """Whether a type is the one wanted; moments are in UTC, whatever zone DuckDB would show them in."""
    if pa.types.is_timestamp(kind) and kind.tz is not None and wanted is not None:
        return bool(wanted == pa.timestamp(kind.unit, tz="UTC"))
    return bool(kind == wanted)
