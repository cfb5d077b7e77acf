"""The sample season, through the ingest flow, into the folder ``demo_archive`` of the working directory."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import stillwell
from stillwell.flows.ingest import ingest
from stillwell.flows.tasks import home_in
from stillwell.pipeline.derive import derive
from stillwell.reading.demonstration import BY, made_by_demo, next_words
from stillwell.reading.printed.summary import summary_text
from stillwell.reading.rating.shifts import derived_lines

INBOX = Path(stillwell.__file__).parent / "sample_season"
FRESH = Path("demo_archive")


def main() -> int:
    """Run the demo; what the season's mistakes returned is expected and no failure."""
    if FRESH.exists() and not made_by_demo(FRESH):
        words = (
            "expected nothing, or an archive of an earlier demo; found another; it stays; move it away and try again"
        )
        sys.stderr.write(f"{FRESH}: {words}\n")
        return 1
    shutil.rmtree(FRESH, ignore_errors=True)
    with home_in(FRESH):
        taken = ingest(INBOX, FRESH, BY)
    _, records = derive(FRESH, by=BY)
    made = next(batch.prepared for batch in taken if batch.prepared is not None)
    example = made.tables["gaugings"]["gauging_id"].iloc[0]
    sys.stdout.write(summary_text(taken) + "\nRecords\n" + derived_lines(records) + next_words(FRESH, example))
    return 0


if __name__ == "__main__":
    sys.exit(main())
