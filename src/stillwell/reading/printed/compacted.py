"""What a compaction came to, in words."""

from __future__ import annotations

from collections.abc import Sequence

from stillwell.archive.ledger.chain import Entry
from stillwell.number_words import counted, numbered


def compacted_counts(entries: Sequence[Entry]) -> tuple[int, int, int]:
    """Count the table files that compactions replaced, those they made, and the rows in them.

    Parameters
    ----------
    entries : sequence of Entry
        Of their commits.
    """
    replaced, rows = (sum((one.counts or {}).get(name, 0) for one in entries) for name in ("files replaced", "rows"))
    return replaced, sum(bool(file.table) for one in entries for file in one.files), rows


def compacted_line(entries: Sequence[Entry]) -> str:
    """Say in one line what was made into what."""
    if not entries:
        return "nothing to compact\n"
    replaced, made, rows = compacted_counts(entries)
    commits = numbered("commit", [one.number for one in entries])
    return f"{commits}: {counted(replaced, 'file')} made into {made:,}, {counted(rows, 'row')}\n"


def removed_line(removed: Sequence[str], keep_days: float) -> str:
    """Say in one line how many files that compactions replaced were removed."""
    return f"removed: {counted(len(removed), 'file')} replaced more than {keep_days:g} days ago\n"
