"""Table files as Arrow tables, no more of each than is asked for: columns, sites, years."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from stillwell.archive.regular import check_regular
from stillwell.archive.retired import to_read
from stillwell.errors import ArchiveDamaged

Years = tuple[str, Sequence[int]]
"""The column of a series that holds its time, and years (UTC)."""
ROWS_AT_ONCE = 65_536
"""Rows looked at together where only those of some years are wanted."""
_MANY = 16
"""Files from which on reading them on several threads pays."""


def read_parts(
    paths: Sequence[Path], columns: list[str] | None, sites: Sequence[str] | None, years: Years | None
) -> list[pa.Table]:
    """Read table files, each by itself, checking page checksums, in the order given.

    Parameters
    ----------
    paths : sequence of Path
    columns : list of str or None
        Only these; of a file of an earlier version, what they follow from.
    sites : sequence of str or None
        Only the rows of these, in files that know sites.
    years : Years or None
        Only the rows of these; a file is then looked through some rows at a time.

    Returns
    -------
    list of pyarrow.Table

    Raises
    ------
    ArchiveDamaged
        If a file is missing or not as it was written.
    """
    if len(paths) < _MANY:
        return [_read(path, columns, sites, years) for path in paths]
    with ThreadPoolExecutor(max_workers=4) as pool:
        return list(pool.map(lambda path: _read(path, columns, sites, years), paths))


def _read(path: Path, columns: list[str] | None, sites: Sequence[str] | None, years: Years | None) -> pa.Table:
    try:
        check_regular(path)
        if years is not None:
            return _rows_in(path, columns, sites, years)
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


def _rows_in(path: Path, columns: list[str] | None, sites: Sequence[str] | None, years: Years) -> pa.Table:
    """Read the rows of some years, and of some sites, looking at some rows at a time.

    Words stay encoded as numbers of a list, which takes a tenth of the memory.
    """
    footer = pq.read_metadata(path)
    schema = footer.schema.to_arrow_schema()
    time, wanted, held = years[0], pa.array(years[1], pa.int64()), schema.names
    asked = held if columns is None else to_read(columns, held)
    names = list(dict.fromkeys([*asked, time, *(["site"] if sites is not None and "site" in held else [])]))
    words = [name for name in names if pa.types.is_string(schema.field(name).type)]
    with pq.ParquetFile(path, metadata=footer, page_checksum_verification=True, read_dictionary=words) as file:
        parts = [file.schema_arrow.empty_table().select(asked)]
        for batch in file.iter_batches(ROWS_AT_ONCE, columns=names, use_threads=False):
            rows = pa.Table.from_batches([batch])
            rows = rows.filter(pc.is_in(pc.year(rows[time]), wanted))
            if "site" in names and sites is not None:
                rows = rows.filter(pc.is_in(rows["site"].cast(pa.string()), pa.array(sites, pa.string())))
            parts.append(rows.select(asked))
    return pa.concat_tables(parts)
