"""The sample season, through the ingest flow, into the folder ``demo_archive`` of the working directory."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import stillwell
from stillwell.archive.archive import Archive
from stillwell.deriving import derive
from stillwell.errors import StillwellError
from stillwell.flows.ingest import ingest
from stillwell.flows.tasks import home_in
from stillwell.reading.shifting import derived_lines
from stillwell.reading.summary import summary_text

INBOX = Path(stillwell.__file__).parent / "sample_season"
FRESH = Path("demo_archive")

NEXT = """
The invented season now stands in demo_archive. Deposits with deliberate mistakes were returned with their reasons.
What to type next:

  export STILLWELL_ARCHIVE=demo_archive
  .venv/bin/stillwell list                    the gaugings that stand
  .venv/bin/stillwell show {example}
  .venv/bin/stillwell query "SELECT site, count(*) AS gaugings, avg(discharge_m3_s) AS mean FROM gaugings GROUP BY site"
  .venv/bin/stillwell rate INV-KES            fit a rating to the gaugings of a site
  .venv/bin/stillwell record INV-KES          its daily discharge with uncertainty and marks
  .venv/bin/stillwell next                    where one more gauging helps most
  .venv/bin/stillwell trace {example}
  .venv/bin/stillwell audit                   prove every byte and compute every number again
"""


def _made_here(folder: Path) -> bool:
    """Whether a folder is an archive that a demo began, which may be removed."""
    try:
        return Archive(folder).ledger.entry(1).by == "demo"
    except (StillwellError, OSError):
        return False


def main() -> int:
    """Run the demo; what the season's mistakes returned is expected and no failure."""
    if FRESH.exists() and not _made_here(FRESH):
        sys.stderr.write(f"expected no folder {FRESH} but one of an earlier demo, found another; nothing was written\n")
        return 1
    shutil.rmtree(FRESH, ignore_errors=True)
    with home_in(FRESH):
        taken = ingest(INBOX, FRESH, "demo")
    _, records = derive(FRESH, by="demo")
    made = next(batch.prepared for batch in taken if batch.prepared is not None)
    example = made.tables["gaugings"]["gauging_id"].iloc[0]
    sys.stdout.write(summary_text(taken) + "\nRecords\n" + derived_lines(records) + NEXT.format(example=example))
    return 0


if __name__ == "__main__":
    sys.exit(main())
