"""Table files of some sites, opened no further than a question needs: by site, year, span and column."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from stillwell.archive.archive import Archive
from stillwell.archive.disk.regular import check_regular
from stillwell.archive.tables.retired_columns import to_read
from stillwell.errors import ArchiveDamaged
from stillwell.records import ListedFile

_MANY = 16
"""Files from which on opening them on several threads pays."""
T = TypeVar("T")
S = TypeVar("S")


@dataclass(frozen=True)
class Held:
    """A table file and what its footer says; ``groups`` are the row groups that matter.

    ``sites`` are those whose rows are read, in order; ``beside`` says that the file holds rows of other sites too.
    """

    path: Path
    sites: tuple[str, ...]
    footer: pq.FileMetaData
    groups: tuple[int, ...]
    beside: bool = False

    def range(self, column: str, group: int | None = None) -> tuple[Any, Any] | None:
        """Return the least and greatest value of a column, None where the footer does not say or it has none.

        Parameters
        ----------
        column : str
        group : int, optional
            In this row group only.
        """
        found = [self._range(column, i) for i in (self.groups if group is None else (group,))]
        known = [one for one in found if one is not None]
        if len(known) < len(found) or not known:
            return None
        return min(low for low, _ in known), max(high for _, high in known)

    def _range(self, column: str, group: int) -> tuple[Any, Any] | None:
        place = self.footer.schema.names.index(column) if column in self.footer.schema.names else -1
        said = self.footer.row_group(group).column(place).statistics if place >= 0 else None
        return (said.min, said.max) if said is not None and said.has_min_max else None

    def only(self, column: str) -> tuple[Any] | None:
        """Return the one value that every row has, missing as None; None where the footer does not say there is one."""
        if column not in self.footer.schema.names:
            return (None,)
        place, found = self.footer.schema.names.index(column), set()
        for group in map(self.footer.row_group, self.groups):
            said = group.column(place).statistics
            if said is None or not said.has_null_count or said.null_count not in (0, group.num_rows):
                return None
            if said.null_count == 0 and not said.has_min_max:
                return None
            found |= {said.min, said.max} if said.null_count == 0 else {None}
        return (found.pop(),) if len(found) == 1 else None


Span = tuple[str, Any, Any]
"""A column, the least value asked for and the value no longer asked for; None leaves an end open."""


def held_files(archive: Archive, table: str, sites: Sequence[str] | None, spans: Sequence[Span] = ()) -> list[Held]:
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
    list of Held
        By site, and then in the order committed.

    Raises
    ------
    ArchiveDamaged
        If a file is missing or not as it was written.
    """
    files = [file for file in archive.table_files(table, sites) if _year_may_lie(file, spans)]
    wanted = None if sites is None else frozenset(sites)
    footers = _each(lambda file: _held(archive.root / file.path, file, wanted), files)
    kept = [_narrowed(one, spans) for one in footers]
    return [one for one in kept if one.groups]


def _year_may_lie(file: ListedFile, spans: Sequence[Span]) -> bool:
    """Tell by the years listed, one year wide of them on both sides, for years that do not start in January UTC."""
    times = [(low, high) for name, low, high in spans if name != "recorded_at"]
    return not file.years or all(
        (low is None or low.year <= file.years[-1] + 1) and (high is None or high.year >= file.years[0] - 1)
        for low, high in times
    )


def _held(path: Path, file: ListedFile, wanted: frozenset[str] | None) -> Held:
    footer = reading(path, lambda: pq.read_metadata(path))
    mine = file.sites if wanted is None else tuple(site for site in file.sites if site in wanted)
    return Held(path, mine, footer, tuple(range(footer.num_row_groups)), len(mine) < len(file.sites))


def _narrowed(held: Held, spans: Sequence[Span]) -> Held:
    groups = tuple(i for i in held.groups if all(_may_lie(held.range(name, i), low, high) for name, low, high in spans))
    if held.beside:
        ranges = {i: held.range("site", i) for i in groups}
        groups = tuple(
            i for i in groups if (one := ranges[i]) is None or any(one[0] <= s <= one[1] for s in held.sites)
        )
    return held if groups == held.groups else replace(held, groups=groups)


def _may_lie(found: tuple[Any, Any] | None, low: Any, high: Any) -> bool:
    if found is None:
        return True
    return (low is None or found[1] >= low) and (high is None or found[0] < high)


def read_part(held: Held, columns: Sequence[str]) -> pa.Table:
    """Read some columns of the row groups that matter, checking page checksums; only rows of the sites asked for.

    Words stay encoded as numbers of a list, which is quicker to read and to look through; ``joined`` decodes them.

    Parameters
    ----------
    held : Held
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
    schema = held.footer.schema
    asked = to_read(columns, schema.names)
    mine = [*asked, *(["site"] if held.beside and "site" not in asked else [])]
    words = [name for name in mine if schema.column(schema.names.index(name)).physical_type == "BYTE_ARRAY"]

    def read() -> pa.Table:
        with pq.ParquetFile(
            held.path, metadata=held.footer, page_checksum_verification=True, read_dictionary=words
        ) as file:
            part = file.read_row_groups(list(held.groups), columns=mine, use_threads=len(mine) > 1)
            if not held.beside:
                return part
            site = part["site"].cast(pa.string())
            return part.filter(pc.is_in(site, pa.array(held.sites, pa.string()))).select(asked)

    return reading(held.path, read)


def read_parts(files: Sequence[Held], columns: Sequence[str]) -> list[pa.Table]:
    """Read some columns of several files, in their order."""
    return _each(lambda held: read_part(held, columns), files)


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
    """Read, and turn what goes wrong into words.

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
