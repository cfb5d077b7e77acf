"""Write the archive of the invented season: ``python -m sample_archive.make_archive``. The clock is fixed."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import inbox, ingest
from stillwell.pipeline.render import render

HERE = Path(__file__).parent
TAKEN_AT = datetime(2025, 10, 15, 8, 0, tzinfo=UTC)
"""When the invented office took the season in."""
BY = "INV-DM"


def make_archive(root: Path) -> None:
    """Take the inbox into a fresh archive: the season, what came after it, the records; then render NetCDF once."""
    paths = inbox(HERE / "inbox")
    later = [path for path in paths if path.name[:2] >= "09" or path.name == "gauge_heights.csv"]
    for day, batch in enumerate(([p for p in paths if p not in later], later)):
        ingest(root, batch, by=BY, now=lambda day=day: TAKEN_AT.replace(day=TAKEN_AT.day + day), render_now=False)
    derive(root, by=BY, now=lambda: TAKEN_AT.replace(day=TAKEN_AT.day + 2), render_now=False)
    render(root, by=BY, now=lambda: TAKEN_AT.replace(day=TAKEN_AT.day + 2))


if __name__ == "__main__":
    shutil.rmtree(HERE / "archive", ignore_errors=True)
    make_archive(HERE / "archive")
    print(sum(p.stat().st_size for p in (HERE / "archive").rglob("*") if p.is_file()), "bytes")
