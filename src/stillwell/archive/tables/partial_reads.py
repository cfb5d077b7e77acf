"""Table files as Arrow tables, no more of each than is asked for: columns, sites, years, rows from a moment on."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from stillwell.archive.disk.regular_files import check_regular
from stillwell.archive.tables.retired_columns import to_read
from stillwell.errors import ArchiveDamaged

ROWS_AT_ONCE = 65_536
"""Rows looked at together where only those of some years, or from a moment on, are wanted."""
_MANY = 16
"""Files from which on reading them on several threads pays."""


@dataclass(frozen=True)
class Years:
    """The rows whose moment in a column lies in some years (UTC)."""

    column: str
    years: Sequence[int]

    def holds(self, moments: pa.ChunkedArray) -> pa.ChunkedArray:
        """Say which moments lie in them."""
        return pc.is_in(pc.year(moments), pa.array(self.years, pa.int64()))

    def may_hold(self, first: datetime, last: datetime) -> bool:
        """Say whether one of the moments from ``first`` to ``last`` may lie in them."""
        return any(first.year <= year <= last.year for year in self.years)


@dataclass(frozen=True)
class Since:
    """The rows whose moment in a column is this one or a later one."""

    column: str
    moment: datetime

    def holds(self, moments: pa.ChunkedArray) -> pa.ChunkedArray:
        """Say which moments are not before it."""
        return pc.greater_equal(moments, pa.scalar(self.moment, moments.type))

    def may_hold(self, first: datetime, last: datetime) -> bool:
        """Say whether one of the moments from ``first`` to ``last`` may be not before it."""
        return last >= self.moment


Span = Years | Since
"""Which rows of a table are wanted, by the moment that a column names."""


def read_parts(
    paths: Sequence[Path], columns: list[str] | None, sites: Sequence[str] | None, span: Span | None
) -> list[pa.Table]:
    """Read table files, each by itself, checking page checksums, in the order given.

    Parameters
    ----------
    paths : sequence of Path
    columns : list of str or None
        Only these; of a file of an earlier version, what they follow from.
    sites : sequence of str or None
        Only the rows of these, in files that know sites.
    span : Span or None
        Only the rows in it; a file is then looked through some rows at a time, without the row groups whose statistics
        say that they hold none.

    Returns
    -------
    list of pyarrow.Table

    Raises
    ------
    ArchiveDamaged
        If a file is missing or not as it was written.
    """
    if len(paths) < _MANY:
        return [_read(path, columns, sites, span) for path in paths]
    with ThreadPoolExecutor(max_workers=4) as pool:
        return list(pool.map(lambda path: _read(path, columns, sites, span), paths))


def _read(path: Path, columns: list[str] | None, sites: Sequence[str] | None, span: Span | None) -> pa.Table:
    try:
        check_regular(path)
        if span is not None:
            return _rows_in(path, columns, sites, span)
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            if sites is not None and "site" in file.schema_arrow.names:
                return _rows_of(file, columns, sites)
            if columns is None:
                return file.read(use_threads=False)
            return file.read(columns=to_read(columns, file.schema_arrow.names), use_threads=False)
    except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
        msg = f"{path}: expected a table file as it was written, found one that cannot be read; run an audit"
        raise ArchiveDamaged(msg) from error


def _rows_of(file: pq.ParquetFile, columns: list[str] | None, sites: Sequence[str]) -> pa.Table:
    """Read the rows of some sites; row groups whose statistics rule the sites out are passed over."""
    at = file.schema_arrow.names.index("site")
    groups = []
    for number in range(file.num_row_groups):
        limits = file.metadata.row_group(number).column(at).statistics
        if limits is None or not limits.has_min_max or any(limits.min <= site <= limits.max for site in sites):
            groups.append(number)
    held = file.schema_arrow.names
    names = None if columns is None else to_read([*columns, "site"], held)
    rows = file.read_row_groups(groups, columns=names, use_threads=False)
    rows = rows.filter(pc.is_in(rows["site"], pa.array(sites, rows.schema.field("site").type)))
    return rows if columns is None else rows.select(to_read(columns, held))


def _rows_in(path: Path, columns: list[str] | None, sites: Sequence[str] | None, span: Span) -> pa.Table:
    """Read the rows in a span, and of some sites, looking at some rows at a time.

    Words stay encoded as numbers of a list, which takes a tenth of the memory.
    """
    footer = pq.read_metadata(path)
    schema = footer.schema.to_arrow_schema()
    held = schema.names
    asked = held if columns is None else to_read(columns, held)
    names = list(dict.fromkeys([*asked, span.column, *(["site"] if sites is not None and "site" in held else [])]))
    words = [name for name in names if pa.types.is_string(schema.field(name).type)]
    groups = _groups_of(footer, held.index(span.column), span)
    with pq.ParquetFile(path, metadata=footer, page_checksum_verification=True, read_dictionary=words) as file:
        parts = [file.schema_arrow.empty_table().select(asked)]
        for batch in file.iter_batches(ROWS_AT_ONCE, row_groups=groups, columns=names, use_threads=False):
            rows = pa.Table.from_batches([batch])
            rows = rows.filter(span.holds(rows[span.column]))
            if "site" in names and sites is not None:
                rows = rows.filter(pc.is_in(rows["site"].cast(pa.string()), pa.array(sites, pa.string())))
            parts.append(rows.select(asked))
    return pa.concat_tables(parts)


def _groups_of(footer: pq.FileMetaData, column: int, span: Span) -> list[int]:
    """Name the row groups that may hold rows in a span, by the statistics of a column."""
    limits = [footer.row_group(number).column(column).statistics for number in range(footer.num_row_groups)]
    return [
        number
        for number, limit in enumerate(limits)
        if limit is None or not limit.has_min_max or span.may_hold(limit.min, limit.max)
    ]
