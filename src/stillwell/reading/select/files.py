"""Table files of some sites: opens only the files, row groups and columns that a question needs."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from stillwell.archive.archive import Archive
from stillwell.archive.disk.regular_files import check_regular
from stillwell.archive.tables.retired_columns import to_read
from stillwell.errors import ArchiveDamaged
from stillwell.shared_types import ListedFile

_MANY = 16
"""Files from which on opening them on several threads pays."""
T = TypeVar("T")
S = TypeVar("S")


@dataclass(frozen=True)
class SelectedFile:
    """A table file with its footer; ``groups`` are the row groups that can hold rows asked for.

    ``sites`` are those whose rows are read, in order; ``shared`` says that the file holds rows of other sites too.
    """

    path: Path
    sites: tuple[str, ...]
    footer: pq.FileMetaData
    groups: tuple[int, ...]
    shared: bool = False

    def range(self, column: str, group: int | None = None) -> tuple[Any, Any] | None:
        """Return the least and greatest value of a column, None where the footer does not say or it has none.

        Parameters
        ----------
        column : str
        group : int, optional
            In this row group only.
        """
        ranges = [self._range(column, i) for i in (self.groups if group is None else (group,))]
        known = [one for one in ranges if one is not None]
        if len(known) < len(ranges) or not known:
            return None
        return min(low for low, _ in known), max(high for _, high in known)

    def _range(self, column: str, group: int) -> tuple[Any, Any] | None:
        place = self.footer.schema.names.index(column) if column in self.footer.schema.names else -1
        statistics = self.footer.row_group(group).column(place).statistics if place >= 0 else None
        return (statistics.min, statistics.max) if statistics is not None and statistics.has_min_max else None

    def only(self, column: str) -> tuple[Any] | None:
        """Return the one value that every row has, missing as None; None where the footer does not say there is one."""
        if column not in self.footer.schema.names:
            return (None,)
        place, values = self.footer.schema.names.index(column), set()
        for group in map(self.footer.row_group, self.groups):
            statistics = group.column(place).statistics
            if statistics is None or not statistics.has_null_count or statistics.null_count not in (0, group.num_rows):
                return None
            if statistics.null_count == 0 and not statistics.has_min_max:
                return None
            values |= {statistics.min, statistics.max} if statistics.null_count == 0 else {None}
        return (values.pop(),) if len(values) == 1 else None


Span = tuple[str, Any, Any]
"""A column, the least value asked for and the value no longer asked for; None leaves an end open."""


def selected_files(
    archive: Archive, table: str, sites: Sequence[str] | None, spans: Sequence[Span] = ()
) -> list[SelectedFile]:
    """Open the footers of the files, and name the row groups, that can hold rows of some sites and spans.

    Parameters
    ----------
    archive : Archive
    table : str
    sites : sequence of str or None
    spans : sequence of Span
        A row group whose footer puts it outside of any is left out.

    Returns
    -------
    list of SelectedFile
        By site, and then in the order committed.

    Raises
    ------
    ArchiveDamaged
        If a file is missing or not as it was written.
    """
    files = [file for file in archive.table_files(table, sites) if _year_may_lie(file, spans)]
    wanted = None if sites is None else frozenset(sites)
    footers = _each(lambda file: _opened(archive.root / file.path, file, wanted), files)
    narrowed = [_narrowed(one, spans) for one in footers]
    return [one for one in narrowed if one.groups]


def settled(columns: Collection[str], files: Sequence[SelectedFile]) -> bool:
    """Return whether every row stands, by the footers alone: no status, and no key has more than one revision.

    Parameters
    ----------
    columns : collection of str
        Of the table.
    files : sequence of SelectedFile
        All that hold rows asked for.
    """
    if "revision" not in columns:
        return True
    ranges = [file.range("revision") for file in files]
    return "status" not in columns and all(one is not None and one[1] == 1 for one in ranges)


def _year_may_lie(file: ListedFile, spans: Sequence[Span]) -> bool:
    """Compare spans with the years listed, widened by a year on both sides: a year may not start in January UTC."""
    times = [(low, high) for name, low, high in spans if name != "recorded_at"]
    return not file.years or all(
        (low is None or low.year <= file.years[-1] + 1) and (high is None or high.year >= file.years[0] - 1)
        for low, high in times
    )


def _opened(path: Path, file: ListedFile, wanted: frozenset[str] | None) -> SelectedFile:
    footer = reading(path, lambda: pq.read_metadata(path))
    mine = file.sites if wanted is None else tuple(site for site in file.sites if site in wanted)
    return SelectedFile(path, mine, footer, tuple(range(footer.num_row_groups)), len(mine) < len(file.sites))


def _narrowed(file: SelectedFile, spans: Sequence[Span]) -> SelectedFile:
    groups = tuple(i for i in file.groups if all(_may_lie(file.range(name, i), low, high) for name, low, high in spans))
    if file.shared:
        ranges = {i: file.range("site", i) for i in groups}
        groups = tuple(
            i for i in groups if (one := ranges[i]) is None or any(one[0] <= s <= one[1] for s in file.sites)
        )
    return file if groups == file.groups else replace(file, groups=groups)


def _may_lie(bounds: tuple[Any, Any] | None, low: Any, high: Any) -> bool:
    if bounds is None:
        return True
    return (low is None or bounds[1] >= low) and (high is None or bounds[0] < high)


def read_part(selected: SelectedFile, columns: Sequence[str]) -> pa.Table:
    """Read some columns of the selected row groups, checking page checksums; only rows of the sites asked for.

    Texts stay dictionary-encoded, which is faster to read and to filter; ``joined`` decodes them.

    Parameters
    ----------
    selected : SelectedFile
    columns : sequence of str
        Those the file lacks are left out.

    Returns
    -------
    pyarrow.Table

    Raises
    ------
    ArchiveDamaged
        If the file is not as it was written.
    """
    schema = selected.footer.schema
    names = to_read(columns, schema.names)
    mine = [*names, *(["site"] if selected.shared and "site" not in names else [])]
    words = [name for name in mine if schema.column(schema.names.index(name)).physical_type == "BYTE_ARRAY"]

    def read() -> pa.Table:
        with pq.ParquetFile(
            selected.path, metadata=selected.footer, page_checksum_verification=True, read_dictionary=words
        ) as file:
            part = file.read_row_groups(list(selected.groups), columns=mine, use_threads=len(mine) > 1)
            if not selected.shared:
                return part
            site = part["site"].cast(pa.string())
            return part.filter(pc.is_in(site, pa.array(selected.sites, pa.string()))).select(names)

    return reading(selected.path, read)


def read_parts(files: Sequence[SelectedFile], columns: Sequence[str]) -> list[pa.Table]:
    """Read some columns of several files, in their order."""
    return _each(lambda file: read_part(file, columns), files)


def check_files(paths: Iterable[Path]) -> None:
    """Refuse table files that are links, pipes or the like, before a database opens them and waits.

    Raises
    ------
    ArchiveDamaged
        If one is.
    """
    for path in paths:
        reading(path, lambda: None)


def reading(path: Path, read: Callable[[], T]) -> T:
    """Read a table file, and raise ``ArchiveDamaged`` where that fails.

    Raises
    ------
    ArchiveDamaged
        If the file is missing or not as it was written.
    """
    try:
        check_regular(path)
        return read()
    except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
        msg = f"{path}: expected a table file as it was written, found: {error}; run an audit"
        raise ArchiveDamaged(msg) from error


def _each(step: Callable[[S], T], items: Sequence[S]) -> list[T]:
    if len(items) < _MANY:
        return [step(item) for item in items]
    with ThreadPoolExecutor(max_workers=4) as pool:
        return list(pool.map(step, items))
