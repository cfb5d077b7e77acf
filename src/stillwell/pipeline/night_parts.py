"""Parts of a night that write to the archive, each with what it came to in words."""

from __future__ import annotations

import os
from pathlib import Path

from stillwell.archive.disk.layout import KEEP_DAYS
from stillwell.pipeline import derive, ingest, render
from stillwell.reading.printed.compacted import compacted_line, removed_line
from stillwell.reading.printed.rendering import rendered_words
from stillwell.reading.rating.shifts import current_line, derived_lines


def derived_text(archive: Path, by: str) -> str:
    """Derive every record whose inputs changed, say a line of each, and how many were up to date."""
    current: list[str] = []
    made = derive.derivations(archive, by=by, current=current.extend)
    return "".join(derived_lines(rows) for _, rows in made) + current_line(len(current))


def rendered_page(archive: Path, by: str) -> str:
    """Render what is behind and say how much; fail where files are behind still."""
    made = render.render_all(archive, by=by, processes=os.cpu_count() or 1)
    return f"# NetCDF\n\n{rendered_words(made)}"


def compacted_page(archive: Path, by: str) -> str:
    """Put small table files together where that pays, remove those replaced a week ago, and say how many."""
    entries, removed = ingest.compact(archive, by=by)
    return f"# Compaction\n\n{compacted_line(entries)}{removed_line(removed, KEEP_DAYS)}"
