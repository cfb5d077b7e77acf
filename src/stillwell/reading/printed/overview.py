"""What an archive holds, in a line."""

from __future__ import annotations

from stillwell.archive.archive import Archive
from stillwell.reading.printed.nearest import known_sites
from stillwell.reading.printed.text import time_text


def overview_text(archive: Archive) -> str:
    """Say in a sentence how much an archive holds, and of when.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    str

    Raises
    ------
    ArchiveDamaged
        If what is read is not as it was written.
    """
    stand = archive.standing("gaugings", columns=["started_at"])
    span = f" from {stand['started_at'].min():%Y-%m-%d} to {stand['started_at'].max():%Y-%m-%d}" if len(stand) else ""
    head = archive.ledger.head()
    last = f", the last on {time_text(head.recorded_at)}" if head else ""
    counted = f"{_many(len(known_sites(archive)), 'site')}, {_many(len(stand), 'gauging')}{span}"
    return f"The archive {archive.root}: {counted}; {_many(archive.ledger.head_number(), 'commit')}{last}."


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
