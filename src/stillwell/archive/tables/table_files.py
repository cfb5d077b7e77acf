"""Frames to Parquet bytes, described column by column, and back. Decides no path but a table file's own.

Writing needs the schemas; reading takes all from the archive, so that it is quick and outlasts this code.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.archive.disk.layout import table_path
from stillwell.archive.tables.parquet_bytes import ROWS_PER_GROUP, to_parquet
from stillwell.archive.tables.partial_reads import Span, read_parts
from stillwell.archive.tables.retired_columns import with_successors
from stillwell.errors import ArchiveError
from stillwell.fingerprint import canonical_json, sha256
from stillwell.intake.values.one_value import only_value, spread
from stillwell.shared_types import ListedFile

if TYPE_CHECKING:
    import pandas as pd

_ARROW = {
    "text": pa.string(),
    "number": pa.float64(),
    "count": pa.int64(),
    "flag": pa.bool_(),
    "time": pa.timestamp("us", tz="UTC"),
}
_PANDAS = {
    "text": "str",
    "number": "float64",
    "count": "Int64",
    "flag": "boolean",
    "time": "datetime64[us, UTC]",
}
_FROM_TABLE_SCHEMA = {
    "string": "text",
    "number": "number",
    "integer": "count",
    "boolean": "flag",
    "datetime": "time",
}


@cache
def arrow_schema(name: str) -> pa.Schema:
    """Describe a table for Parquet, all of it derived from its model in ``schemas``.

    Parameters
    ----------
    name : str
        A name of ``schemas.ARCHIVE_TABLES``.

    Returns
    -------
    pyarrow.Schema
        Fields carry units, standard_name, long_name and words; the schema carries the ``archive:`` keys, with
        the whole description once more as JSON for readers that do not see Arrow's metadata.
    """
    from stillwell.schemas import ARCHIVE_TABLES, SCHEMA_VERSION
    from stillwell.schemas.derive import attributes, columns, key_names, table_schema

    model = ARCHIVE_TABLES[name]
    fields = []
    for column in columns(model):
        notes = attributes(column) | ({"words": ", ".join(column.words)} if column.words else {})
        fields.append(pa.field(column.name, _ARROW[column.kind], nullable=not column.required, metadata=notes))
    return pa.schema(
        fields,
        {
            "archive:schema_id": name,
            "archive:schema_version": SCHEMA_VERSION,
            "archive:columns": canonical_json(table_schema(name, model, SCHEMA_VERSION)["fields"]).decode(),
            "archive:key": ",".join(key_names(model)),
            "archive:time_zone": "UTC",
        },
    )


def arrow_schema_from(table_schema: dict[str, Any]) -> pa.Schema:
    """Describe a table for reading by its Table Schema as it stands in an archive."""
    return pa.schema([(f["name"], _ARROW[_FROM_TABLE_SCHEMA[f["type"]]]) for f in table_schema["fields"]])


def completed(schema: pa.Schema, table: str) -> pa.Schema:
    """Add to the schema of an older archive the columns that this software's has beside; none is taken away.

    Parameters
    ----------
    schema : pyarrow.Schema
        As the archive describes the table.
    table : str

    Returns
    -------
    pyarrow.Schema
        In this software's order, then what only the archive describes.
    """
    from stillwell.schemas import ARCHIVE_TABLES

    if table not in ARCHIVE_TABLES or set(arrow_schema(table).names) <= set(schema.names):
        return schema
    ours = arrow_schema(table)
    plain = [pa.field(field.name, field.type) for field in ours]
    return pa.schema([*plain, *(field for field in schema if field.name not in ours.names)])


def our_tables() -> frozenset[str]:
    """Name the tables of this software's schemas."""
    from stillwell.schemas import ARCHIVE_TABLES

    return frozenset(ARCHIVE_TABLES)


def to_arrow(name: str, frame: pd.DataFrame) -> pa.Table:
    """Turn a frame into an Arrow table with exactly its schema's columns, sorted by site, key and revision.

    Parameters
    ----------
    name : str
        A name of ``schemas.ARCHIVE_TABLES``.
    frame : DataFrame
        Columns in the model's order, with the model's dtypes.

    Raises
    ------
    ArchiveError
        If a column is missing, too many, of another type, or empty where a value is required.
    """
    schema = arrow_schema(name)
    if list(frame.columns) != schema.names:
        missing = sorted(set(schema.names) - set(frame.columns))
        extra = sorted(set(frame.columns) - set(schema.names))
        msg = (
            f"table {name}: expected the columns of its schema in their order; missing {missing or 'none'}, "
            f"unknown {extra or 'none'}; nothing was written"
        )
        raise ArchiveError(msg)
    arrays = [_array(name, field, frame[field.name]) for field in schema]
    return _sorted(pa.Table.from_arrays(arrays, schema=schema))


def _array(name: str, field: pa.Field, values: pd.Series) -> pa.ChunkedArray:
    expected = _PANDAS[_kind(field.type)]
    if str(values.dtype) != expected:
        msg = f"table {name}, column {field.name}: expected {expected}, found {values.dtype}; nothing written"
        raise ArchiveError(msg)
    cell = only_value(values)
    if cell is not None:
        array = spread(cell.cast(field.type), len(values))
    else:
        array = pa.chunked_array([pa.Array.from_pandas(values, type=field.type)] if len(values) else [], field.type)
    if array.null_count and not field.nullable:
        row = int(np.flatnonzero(values.isna().to_numpy())[0])
        msg = f"table {name}, column {field.name}: expected a value, found none in row {row}; nothing written"
        raise ArchiveError(msg)
    return array


def _kind(type_: pa.DataType) -> str:
    return next(kind for kind, known in _ARROW.items() if known == type_)


def _sorted(table: pa.Table) -> pa.Table:
    key = table.schema.metadata[b"archive:key"].decode().split(",")
    order = [c for c in dict.fromkeys(["site", *key, "revision", "recorded_at"]) if c in table.column_names]
    indices = pc.sort_indices(table, sort_keys=[(c, "ascending") for c in order])
    if pc.all(pc.equal(indices, pa.array(np.arange(len(table)), pa.uint64()))).as_py():
        return table
    return table.take(indices).combine_chunks()


TableFile = tuple[str, bytes, ListedFile]
"""Path in the archive, content, and how the ledger lists it."""


def table_files(name: str, frame: pd.DataFrame, commit: int) -> list[TableFile]:
    """Write the rows of one commit as table files, one per site where the table has sites.

    Parameters
    ----------
    name : str
        A name of ``schemas.ARCHIVE_TABLES``.
    frame : DataFrame
        As ``to_arrow`` wants it.
    commit : int
        Number of the ledger entry.

    Returns
    -------
    list of TableFile
        Empty for a frame without rows.

    Raises
    ------
    ArchiveError
        If the frame is not as its schema says.
    """
    table = commit_table(name, frame, commit)
    return [table_file(name, rows, commit, (site,) if site else ()) for site, rows in _by_site(table)]


def commit_table(name: str, frame: pd.DataFrame, commit: int) -> pa.Table:
    """Turn a frame into an Arrow table as ``to_arrow`` does, which names the commit that writes it."""
    table = to_arrow(name, frame)
    return table.replace_schema_metadata(table.schema.metadata | {b"archive:commit": str(commit).encode()})


def table_file(
    name: str, rows: pa.Table, commit: int, sites: tuple[str, ...], rows_per_group: int = ROWS_PER_GROUP
) -> TableFile:
    """Write rows, as from ``commit_table``, as one table file of some sites, in order; of none where it has none."""
    data = to_parquet(rows, rows_per_group)
    digest = sha256(data)
    path = table_path(name, sites, commit, digest)
    return path, data, ListedFile(path, len(data), digest, name, sites, len(rows), _years(name, rows))


def _years(name: str, rows: pa.Table) -> tuple[int, ...]:
    """Name the years (UTC) of the values of a series table, in order; none of another table."""
    from stillwell.schemas import SERIES_TIME

    if name not in SERIES_TIME:
        return ()
    return tuple(sorted(pc.unique(pc.year(rows[SERIES_TIME[name]])).to_pylist()))


def _by_site(table: pa.Table) -> Iterator[tuple[str, pa.Table]]:
    if not len(table):
        return
    if "site" not in table.column_names:
        yield "", table
        return
    runs = pc.run_end_encode(table["site"].combine_chunks())
    start = 0
    for site, end in zip(runs.values.to_pylist(), runs.run_ends.to_pylist(), strict=True):
        yield site, table.slice(start, end - start)
        start = end


def read_files(
    paths: Sequence[Path],
    columns: Sequence[str] | None = None,
    schema: pa.Schema | None = None,
    sites: Sequence[str] | None = None,
    span: Span | None = None,
) -> pd.DataFrame:
    """Read table files into one frame with the models' dtypes, in the order given, checking page checksums.

    Parameters
    ----------
    paths : sequence of Path
    columns : sequence of str, optional
        Only these, in this order.
    schema : pyarrow.Schema, optional
        What the frame must have; a column that an older file lacks is missing in its rows. Needed where
        there is no path.
    sites : sequence of str, optional
        Only the rows of these; needed where a file also holds others.
    span : Span, optional
        Only the rows in it; a file is then looked through some rows at a time.

    Returns
    -------
    DataFrame

    Raises
    ------
    ArchiveDamaged
        If a file is missing or not as it was written.
    """
    wanted = list(columns) if columns is not None else None
    parts = read_parts(paths, wanted, sites, span)
    target = schema if schema is not None else _union(parts)
    if wanted is not None:
        target = pa.schema([target.field(name) for name in wanted])
    return as_frame(parts, target)


def as_frame(parts: Sequence[pa.Table], schema: pa.Schema) -> pd.DataFrame:
    """Join parts of a table into one frame with the models' dtypes; a column that a part lacks is missing in its rows.

    Parameters
    ----------
    parts : sequence of pyarrow.Table
    schema : pyarrow.Schema
        What the frame must have.

    Returns
    -------
    DataFrame
    """
    return _frame(joined(parts, schema))


def joined(parts: Sequence[pa.Table], schema: pa.Schema) -> pa.Table:
    """Join parts of a table, each brought to the columns and types of a schema; ``as_frame`` without the frame."""
    target = schema.remove_metadata()
    runs = [list(run) for _, run in groupby(parts, key=lambda part: part.schema)]
    whole = [pa.concat_tables(run) if len(run) > 1 else run[0] for run in runs]
    return pa.concat_tables([_fitted(part, target) for part in whole] or [target.empty_table()])


def _union(parts: Sequence[pa.Table]) -> pa.Schema:
    return pa.unify_schemas([part.schema.remove_metadata() for part in parts])


def _fitted(part: pa.Table, target: pa.Schema) -> pa.Table:
    part = with_successors(part, target.names)
    if part.schema.names == target.names and part.schema.types == target.types:
        return pa.Table.from_arrays(part.columns, schema=pa.schema([f.with_nullable(True) for f in target]))
    columns = [
        part[field.name].cast(field.type) if field.name in part.column_names else pa.nulls(len(part), field.type)
        for field in target
    ]
    return pa.Table.from_arrays(columns, schema=pa.schema([f.with_nullable(True) for f in target]))


def _frame(table: pa.Table) -> pd.DataFrame:
    # a question in SQL is answered without a frame
    import pandas as pd

    types = {
        pa.string(): pd.StringDtype(na_value=np.nan),
        pa.int64(): pd.Int64Dtype(),
        pa.bool_(): pd.BooleanDtype(),
    }
    frame: pd.DataFrame = table.to_pandas(types_mapper=types.get, ignore_metadata=True)
    return frame
