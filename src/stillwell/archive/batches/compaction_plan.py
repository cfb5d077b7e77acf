"""Which table files a compaction puts together, and how their rows are parted into files. Writes nothing.

Files of a table whose sites lie beside one another go together until they fill a file; files of a series only with
those of the same year. A large file is written again only where the others have enough rows for that.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from stillwell.archive.archive import Archive
from stillwell.archive.batches.site_batches import site_batches
from stillwell.archive.disk.layout import commit_of
from stillwell.archive.disk.regular_files import check_regular
from stillwell.archive.filled_groups import packed
from stillwell.archive.ledger.entries import Entry
from stillwell.archive.tables.parquet_bytes import ROWS_PER_GROUP
from stillwell.archive.tables.table_files import TableFile, commit_table, table_file
from stillwell.errors import ArchiveDamaged
from stillwell.schemas import SERIES_TIME
from stillwell.shared_types import ListedFile

GROUP_ROWS = 65_536
"""Rows of a row group of a file that a compaction made; a file with no more is always small enough to write again."""
FILE_ROWS = 8 * GROUP_ROWS
"""Rows that fill a file. A site with more has a file of its own."""
MOST_ROWS = 2_000_000
"""Rows in hand at a time, and so of one commit; a file with more stays as it is."""
PAYS = 4
"""A file larger than a row group is written again if the others have at least this part, one in four, of its rows."""
SEVERAL_YEARS = 0
"""Stands for the year of files of a series that hold values of several, and of files of other tables."""


@dataclass(frozen=True)
class Lot:
    """Files of a table whose rows are put together; ``cuts`` name the sites of each file to come, where they are known.

    Without ``cuts`` the rows fill one file after the other, in the order of their sites.
    """

    table: str
    files: tuple[ListedFile, ...]
    cuts: tuple[tuple[str, ...], ...] = ()
    rows_per_group: int = GROUP_ROWS

    @property
    def rows(self) -> int:
        """Rows of all its files."""
        return sum(file.rows for file in self.files)


def scattered(archive: Archive, most: int) -> list[Lot]:
    """Find the files that a compaction puts together.

    Parameters
    ----------
    archive : Archive
    most : int
        Files that neighbouring sites may have of a table, or of a year of a series, and stay as they are.

    Returns
    -------
    list of Lot
        By table, year and site; none with more than ``MOST_ROWS`` rows.

    Raises
    ------
    ArchiveDamaged
        If a file of a series, written before format 2.0, does not tell its years.
    """
    lots = []
    for table in archive.tables():
        years: dict[int, list[ListedFile]] = {}
        for file in archive.table_files(table):
            years.setdefault(year_of(archive.root, file), []).append(file)
        for _, files in sorted(years.items()):
            lots += [Lot(table, tuple(worth)) for near in neighbours(files) if len(worth := worthwhile(near)) > most]
    return lots


def year_of(root: Path, file: ListedFile) -> int:
    """Return the one year (UTC) of a file's values, ``SEVERAL_YEARS`` where there are more or it is of no series."""
    if file.table not in SERIES_TIME:
        return SEVERAL_YEARS
    years = file.years or years_within(root, file.path, file.table)
    return years[0] if len(years) == 1 else SEVERAL_YEARS


def years_within(root: Path, path: str, table: str) -> range:
    """Read from the statistics of a file of a series between which years (UTC) its values lie.

    Raises
    ------
    ArchiveDamaged
        If it is missing or not as it was written.
    """
    try:
        check_regular(root / path)
        footer = pq.read_metadata(root / path)
    except (OSError, pa.ArrowException) as error:
        msg = f"{path}: expected a table file, found what cannot be read ({error}); damaged"
        raise ArchiveDamaged(msg) from error
    at = footer.schema.to_arrow_schema().names.index(SERIES_TIME[table])
    limits = [footer.row_group(number).column(at).statistics for number in range(footer.num_row_groups)]
    return range(min(one.min.year for one in limits), max(one.max.year for one in limits) + 1)


def neighbours(files: Sequence[ListedFile]) -> Iterator[list[ListedFile]]:
    """Part files into ranges of sites that do not overlap, each as many as together fill a file.

    Parameters
    ----------
    files : sequence of ListedFile
        Of one table.

    Returns
    -------
    iterator of list of ListedFile
        Files whose ranges of sites overlap are never parted, whatever rows they have.
    """
    parts = packed(_overlapping(files), lambda part: sum(file.rows for file in part), FILE_ROWS)
    return (list(chain.from_iterable(near)) for near in parts)


def _overlapping(files: Sequence[ListedFile]) -> list[list[ListedFile]]:
    parts: list[list[ListedFile]] = []
    last = ""
    for file in sorted(files, key=lambda file: (file.sites[:1], file.path)):
        if parts and (not file.sites or file.sites[0] <= last):
            parts[-1].append(file)
        else:
            parts.append([file])
        last = max([last, *file.sites[-1:]])
    return parts


def worthwhile(files: Sequence[ListedFile]) -> list[ListedFile]:
    """Leave out files too large to be written again for the sake of the others; see ``PAYS`` and ``MOST_ROWS``."""
    kept = sorted(files, key=lambda file: (file.rows, file.path))
    rows = sum(file.rows for file in kept)
    while kept:
        largest = kept[-1].rows
        if rows <= MOST_ROWS and (largest <= GROUP_ROWS or largest <= PAYS * (rows - largest)):
            break
        rows -= kept.pop().rows
    paths = {file.path for file in kept}
    return [file for file in files if file.path in paths]


def by_commit(lots: Sequence[Lot]) -> Iterator[list[Lot]]:
    """Part lots into commits of at most ``MOST_ROWS`` rows."""
    return packed(lots, lambda lot: lot.rows, MOST_ROWS)


def bucket_files(lot: Lot, frame: pd.DataFrame, commit: int) -> list[TableFile]:
    """Write the rows of a lot as the files they become.

    Parameters
    ----------
    lot : Lot
    frame : DataFrame
        Rows of all its files.
    commit : int
        Number of the ledger entry.

    Returns
    -------
    list of TableFile

    Raises
    ------
    ArchiveError
        If the rows are not as their schema says.
    """
    table = commit_table(lot.table, frame, commit)
    if "site" not in table.column_names:
        return [table_file(lot.table, table, commit, (), lot.rows_per_group)]
    counted = pc.value_counts(table["site"]).to_pylist()
    sizes = {one["values"]: int(one["counts"]) for one in counted}
    made = []
    for cut in _cuts(lot.cuts, sizes):
        rows = table if len(cut) == len(sizes) else table.filter(pc.is_in(table["site"], pa.array(cut, pa.string())))
        made.append(table_file(lot.table, rows.combine_chunks(), commit, cut, lot.rows_per_group))
    return made


def _cuts(known: Sequence[Sequence[str]], sizes: Mapping[str, int]) -> Iterator[tuple[str, ...]]:
    """Name the sites of each file; sites that are not among those known fill files of their own."""
    named = {site for cut in known for site in cut}
    for cut in known:
        if mine := tuple(site for site in cut if site in sizes):
            yield mine
    yield from map(tuple, site_batches(sorted(sizes.keys() - named), sizes, FILE_ROWS))


def lots_again(archive: Archive, entry: Entry, listed: Mapping[str, ListedFile]) -> list[Lot]:
    """Name what a compaction put together, and into which files, for making it again.

    Parameters
    ----------
    archive : Archive
        As it stands before, made again from the same deposits.
    entry : Entry
        Of the original.
    listed : mapping of str to ListedFile
        Every file that entries of the original list, by path.

    Returns
    -------
    list of Lot
    """
    parts: dict[tuple[str, int], list[ListedFile]] = {}
    whole = entry.format < 2  # before format 2.0 every file of a site went into one
    replaced = {_like(listed[path]) for path in entry.replaced if path in listed and listed[path].table}
    for table in sorted({file.table for file in entry.files if file.table}):
        for file in archive.table_files(table):
            if not {_like(file), (*_like(file)[:3], ())}.isdisjoint(replaced):
                year = SEVERAL_YEARS if whole else year_of(archive.root, file)
                parts.setdefault((table, year), []).append(file)
    cuts: dict[tuple[str, int], list[tuple[str, ...]]] = {}
    for file in entry.files:
        if file.table and file.sites:
            year = file.years[0] if len(file.years) == 1 and not whole else SEVERAL_YEARS
            cuts.setdefault((file.table, year), []).append(file.sites)
    size = ROWS_PER_GROUP if whole else GROUP_ROWS
    return [
        Lot(table, tuple(files), tuple(cuts.get((table, year), ())), size)
        for (table, year), files in sorted(parts.items())
    ]


def _like(file: ListedFile) -> tuple[str, int, tuple[str, ...], tuple[int, ...]]:
    """Name a file by what does not rest on its bytes; before format 2.0 without years."""
    return file.table, commit_of(file.path), file.sites, file.years
