"""Many small table files made into one per site: row for row, so that readers and any past state stay the same.

What a compaction replaced stays on disk for readers that opened before it, until a sweep.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import pandas as pd

from stillwell.archive import fs
from stillwell.archive.archive import Archive
from stillwell.archive.entries import Entry
from stillwell.archive.inputs import COMPACTION
from stillwell.archive.tables import arrow_schema, read_files
from stillwell.archive.writer import Commit, Writer
from stillwell.errors import ArchiveDamaged
from stillwell.records import ListedFile

REASON = COMPACTION
"""What the ledger entry of a compaction gives as its reason."""

Groups = dict[tuple[str, str], list[ListedFile]]
"""Table files by table and site."""
Read = Mapping[tuple[ListedFile, ...], pd.DataFrame]
"""Rows of groups by their files, which are never changed: rows once read stay those of their files."""


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


def read_groups(archive: Archive, groups: Groups) -> Read:
    """Read the rows of groups, ahead of their compaction; one that cannot be read is left to it."""
    out: dict[tuple[ListedFile, ...], pd.DataFrame] = {}
    for (table, _), files in groups.items():
        # another compaction may have swept them meanwhile; damage is met again, and raised, under the lock
        with suppress(ArchiveDamaged):
            out[tuple(files)] = _rows(archive, table, files)
    return out


def compaction(archive: Archive, groups: Groups, schemas: dict[str, bytes], read: Read | None = None) -> Commit:
    """Put the rows of each group into one file.

    Parameters
    ----------
    archive : Archive
    groups : dict
        As from ``scattered``.
    schemas : dict of str to bytes
        Table Schemas of this version, since the new files have its columns.
    read : mapping, optional
        Rows read before; a group whose files are not all among those of one read is read now.

    Returns
    -------
    Commit

    Raises
    ------
    ArchiveDamaged
        If a file is not as it was written; nothing is replaced then.
    """
    known, parts = read or {}, dict[str, list[pd.DataFrame]]()
    for (table, _), files in sorted(groups.items()):
        rows = known.get(tuple(files))
        parts.setdefault(table, []).append(_rows(archive, table, files) if rows is None else rows)
    tables = {
        table: frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
        for table, frames in parts.items()
    }
    replaced = [file.path for _, files in sorted(groups.items()) for file in files]
    counts = {"files replaced": len(replaced), "rows": sum(len(rows) for rows in tables.values())}
    return Commit(tables=tables, replacing=schemas, replaced=replaced, counts=counts, reason=REASON)


def _rows(archive: Archive, table: str, files: list[ListedFile]) -> pd.DataFrame:
    return read_files([archive.root / file.path for file in files], schema=arrow_schema(table))


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

    Raises
    ------
    ClockRefused
        If the clock, by which the moment was chosen, stands too far from the newest commit; nothing was removed.
    """
    entries = writer.archive.ledger.entries()
    gone = list(_replaced(writer.archive, entries, before))
    if gone:
        writer.check_clock()
    fs.remove_files([writer.root / path for path in gone])
    # innermost first; a folder that holds or held replaced files may have lost its last one
    folders = {(writer.root / path).parent for entry in entries for path in entry.replaced}
    for folder in sorted(folders, reverse=True):
        fs.remove_empty_folders(folder, writer.root)
    return gone


def _replaced(archive: Archive, entries: Sequence[Entry], before: datetime) -> Iterator[str]:
    live = archive.listing()
    root: Path = archive.root
    for entry in entries:
        if entry.recorded_at < before:
            yield from (path for path in entry.replaced if path not in live and (root / path).exists())
