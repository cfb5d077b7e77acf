"""What the demo tells a newcomer, and which folder it may make anew."""

from __future__ import annotations

import sys
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.errors import StillwellError

BY = "demo"
"""Who takes the demo's season in."""

NEXT = """
The invented season now stands in {archive}. Deposits with deliberate mistakes were returned with their reasons.
What to type next:

  export STILLWELL_ARCHIVE={archive}
  {stillwell} list                    the gaugings that stand
  {stillwell} show {example}
  {stillwell} query "SELECT site, count(*) AS gaugings, avg(discharge_m3_s) AS mean FROM gaugings GROUP BY site"
  {stillwell} rate INV-KES            fit a rating to the gaugings of a site
  {stillwell} record INV-KES          its daily discharge with uncertainty and marks
  {stillwell} next                    where one more gauging helps most
  {stillwell} trace {example}
  {stillwell} audit                   prove every byte and compute every number again
"""


def next_words(archive: Path, example: str) -> str:
    """Say what to type next.

    Parameters
    ----------
    archive : Path
    example : str
        Id of a gauging in it.
    """
    command, folder = Path(sys.executable).with_name("stillwell"), Path.cwd()
    shown = command.relative_to(folder) if command.is_relative_to(folder) else command
    return NEXT.format(archive=archive, example=example, stillwell=shown)


def made_by_demo(folder: Path) -> bool:
    """Return whether a folder is an archive that a demo began; a folder that is none is nobody's to remove."""
    try:
        return Archive(folder).ledger.entry(1).by == BY
    except (StillwellError, OSError):
        return False
