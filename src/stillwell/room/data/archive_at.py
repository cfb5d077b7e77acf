"""An archive as it stood at an earlier moment: rows recorded since are left out, and so is what rests on them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.provenance.document import provenance_path
from stillwell.archive.provenance.sources import commit_at
from stillwell.shared_types import ListedFile

NEVER = datetime(1970, 1, 1, tzinfo=UTC)
"""Stands for every moment before the first commit."""


class ArchiveThen(Archive):
    """An archive that answers from what had been recorded by a moment, however it is asked.

    Parameters
    ----------
    root : Path
    number : int
        Newest ledger entry of that moment; 0 before the first.
    as_of : datetime
    """

    def __init__(self, root: Path, number: int, as_of: datetime) -> None:
        super().__init__(root)
        self.number = number
        self.as_of = as_of
        self._later = {provenance_path(n) for n in range(number + 1, self.ledger.head_number() + 1)}

    def read(
        self,
        table: str,
        sites: Sequence[str] | None = None,
        columns: Sequence[str] | None = None,
        years: Sequence[int] | None = None,
    ) -> pd.DataFrame:
        """Read the rows of every revision recorded by then; see ``Archive.read``."""
        needed = None if columns is None else list(dict.fromkeys([*columns, "recorded_at"]))
        rows = super().read(table, sites, needed, years)
        rows = rows[rows["recorded_at"] <= pd.Timestamp(self.as_of)].reset_index(drop=True)
        return rows if columns is None else rows[list(columns)]

    def listing(self) -> Mapping[str, ListedFile]:
        """Return the live files by path, without what later commits told and without NetCDF, which holds what stands.

        Tables and schemas stay: their rows say themselves when they were recorded.
        """
        live = super().listing()
        return {path: file for path, file in live.items() if path not in self._later and not path.startswith("netcdf/")}


def newest_by(ledger: Ledger, as_of: datetime) -> tuple[int, datetime]:
    """Find the newest entry recorded by a moment, and when it was recorded; entries never go back in time.

    Returns
    -------
    int
        0 where nothing had been recorded.
    datetime
    """
    number = commit_at(ledger, as_of)
    return number, ledger.entry(number).recorded_at if number else NEVER
