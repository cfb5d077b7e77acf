"""Many small table files made into one per site: row for row, so that readers and any past state stay the same.

What a compaction replaced stays on disk for readers that opened before it, until a sweep.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from stillwell.archive import fs
from stillwell.archive.archive import Archive
from stillwell.archive.inputs import COMPACTION
from stillwell.archive.tables import arrow_schema, read_files
from stillwell.archive.writer import Commit, Writer
from stillwell.records import ListedFile

REASON = COMPACTION
"""What the ledger entry of a compaction gives as its reason."""

Groups = dict[tuple[str, str], list[ListedFile]]
"""Table files by table and site."""


def scattered(archive: Archive, most: int) -> Groups:
    """Find the tables and sites that have more than ``most`` files.

    Parameters
    ----------
    archive : Archive
    most : int

    Returns
    -------
    dict
        Files by table and site.
    """
    groups: Groups = {}
    for table in archive.tables():
        for file in archive.table_files(table):
            groups.setdefault((table, file.site), []).append(file)
    return {key: files for key, files in groups.items() if len(files) > most}


def compaction(archive: Archive, groups: Groups, schemas: dict[str, bytes]) -> Commit:
    """Put the rows of each group into one file.

    Parameters
    ----------
    archive : Archive
    groups : dict
        As from ``scattered``.
    schemas : dict of str to bytes
        Table Schemas of this version, since the new files have its columns.

    Returns
    -------
    Commit

    Raises
    ------
    ArchiveDamaged
        If a file is not as it was written; nothing is replaced then.
    """
    files = {table: _of_table(groups, table) for table in sorted({table for table, _ in groups})}
    tables = {
        table: read_files([archive.root / file.path for file in group], schema=arrow_schema(table))
        for table, group in files.items()
    }
    replaced = [file.path for group in files.values() for file in group]
    counts = {"files replaced": len(replaced), "rows": sum(len(rows) for rows in tables.values())}
    return Commit(tables=tables, replacing=schemas, replaced=replaced, counts=counts, reason=REASON)


def _of_table(groups: Groups, table: str) -> list[ListedFile]:
    return [file for (name, _), files in sorted(groups.items()) if name == table for file in files]


def sweep(writer: Writer, before: datetime) -> list[str]:
    """Remove files that commits made before a moment replaced.

    Parameters
    ----------
    writer : Writer
        Holding the lock.
    before : datetime

    Returns
    -------
    list of str
        Paths removed.
    """
    gone = list(_replaced(writer.archive, before))
    fs.remove_files([writer.root / path for path in gone])
    return gone


def _replaced(archive: Archive, before: datetime) -> Iterator[str]:
    live = archive.listing()
    root: Path = archive.root
    for entry in archive.ledger.entries():
        if entry.recorded_at < before:
            yield from (path for path in entry.replaced if path not in live and (root / path).exists())
