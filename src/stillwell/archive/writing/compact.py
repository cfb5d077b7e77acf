"""Many small table files made into few: row for row, so that readers and any past state stay the same.

What goes together is decided in ``buckets``. What a compaction replaced stays on disk for readers that opened before
it, until a sweep.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.batches.compaction_plan import Lot, bucket_files
from stillwell.archive.disk import fs
from stillwell.archive.ledger.entries import Entry
from stillwell.archive.ledger.input_digests import COMPACTION
from stillwell.archive.tables.table_buffer import TableBuffer
from stillwell.archive.tables.table_files import arrow_schema, read_files
from stillwell.archive.writing.writer import Commit, Writer
from stillwell.errors import ArchiveDamaged

REASON = COMPACTION
"""What the ledger entry of a compaction gives as its reason."""

Read = Mapping[Lot, pd.DataFrame]
"""Rows of lots; files are never changed, so that rows once read stay those of their files."""


def read_lots(archive: Archive, lots: Sequence[Lot]) -> Read:
    """Read the rows of lots, ahead of their compaction; one that cannot be read is left to it."""
    out: dict[Lot, pd.DataFrame] = {}
    for lot in lots:
        # another compaction may have swept them meanwhile; damage is met again, and raised, under the lock
        with suppress(ArchiveDamaged):
            out[lot] = _rows(archive, lot)
    return out


def still_listed(archive: Archive, lots: Sequence[Lot]) -> list[Lot]:
    """Leave out lots of which another compaction has replaced a file meanwhile."""
    live = archive.ledger.live_tables()
    return [lot for lot in lots if all(file.path in live for file in lot.files)]


def compaction(archive: Archive, lots: Sequence[Lot], schemas: dict[str, bytes], read: Read | None = None) -> Commit:
    """Put the rows of each lot together; the next commit of the archive.

    Parameters
    ----------
    archive : Archive
    lots : sequence of Lot
        As from ``buckets.scattered``.
    schemas : dict of str to bytes
        Table Schemas of this version, since the new files have its columns.
    read : mapping, optional
        Rows read before; a lot that is not among them is read now.

    Returns
    -------
    Commit

    Raises
    ------
    ArchiveDamaged
        If a file is not as it was written; nothing is replaced then.
    """
    known, number = read or {}, archive.ledger.head_number() + 1
    buffer = TableBuffer(number)
    for lot in lots:
        rows = known[lot] if lot in known else _rows(archive, lot)
        buffer.files.setdefault(lot.table, []).extend(bucket_files(lot, rows, number))
    replaced = [file.path for lot in lots for file in lot.files]
    counts = {"files replaced": len(replaced), "rows": sum(lot.rows for lot in lots)}
    return Commit(tables=buffer, replacing=schemas, replaced=replaced, counts=counts, reason=REASON)


def _rows(archive: Archive, lot: Lot) -> pd.DataFrame:
    return read_files([archive.root / file.path for file in lot.files], schema=arrow_schema(lot.table))


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
