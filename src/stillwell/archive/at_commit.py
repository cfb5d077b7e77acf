"""The archive at a commit: which commits count by a moment, and which of the rows they recorded stand.

A commit counts from the moment at which it was recorded, and commits never go back in time. Which of the rows
recorded by then stands is the rule of ``tables.current_rows``. Whatever can read rows, from files or from memory,
answers by both through ``AtCommit``.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.ledger.moved_gaugings import sites_named
from stillwell.archive.tables.current_rows import GAUGING, standing_rows

if TYPE_CHECKING:
    import pandas as pd

NEVER = datetime(1970, 1, 1, tzinfo=UTC)
"""Stands for every moment before the first commit."""


def commit_at(ledger: Ledger, moment: datetime) -> int:
    """Find the number of the newest commit recorded by a moment, by halving; 0 where there is none."""
    low, high = 0, ledger.head_number()
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if ledger.entry(middle).recorded_at <= moment else (low, middle - 1)
    return low


def recorded_by(rows: pd.DataFrame, moment: datetime | None) -> pd.DataFrame:
    """Pick the rows recorded by a moment; all of them where none is given."""
    return rows if moment is None else rows[rows["recorded_at"] <= moment]


def recorded_by_in_sql(moment: datetime) -> str:
    """Write the condition of ``recorded_by`` in SQL."""
    return f"recorded_at <= '{moment.isoformat()}'::TIMESTAMPTZ"


class AtCommit(ABC):
    """The rows of an archive that some commit and those before it recorded."""

    @abstractmethod
    def read(
        self, table: str, sites: Sequence[str] | None = None, columns: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """Return the rows of every revision, of all sites or some, with all columns or some."""

    @abstractmethod
    def codes(self, table: str, columns: Sequence[str], sites: Sequence[str] | None = None) -> set[tuple[str, ...]]:
        """Return the different texts in a column, or combinations of several, of the rows of every revision."""

    @abstractmethod
    def related(self, sites: Sequence[str]) -> list[str]:
        """Add to some sites those that share a gauging with them, because a correction moved it."""

    @abstractmethod
    def names(self, table: str) -> list[str]:
        """Name the columns of a table."""

    @abstractmethod
    def key(self, table: str) -> list[str]:
        """Name the columns of a table's key."""

    def sites_of(self, gauging_ids: Iterable[str]) -> list[str]:
        """Name the sites at which gaugings of some ids can be, those they were corrected to among them."""
        import pandas as pd  # here, so that an archive is asked in SQL without it

        named = sites_named(pd.Series(list(gauging_ids), dtype="str")).dropna()
        return self.related(sorted(set(named)))

    def standing(
        self, table: str, sites: Sequence[str] | None = None, columns: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """Read the rows of a table that stand.

        Parameters
        ----------
        table : str
        sites : sequence of str, optional
            Only rows of these sites.
        columns : sequence of str, optional
            Only these; of the others, only those that decide which rows stand are read.

        Returns
        -------
        DataFrame
            With a fresh index.

        Raises
        ------
        ArchiveError, ArchiveDamaged
            As ``read``.
        """
        # a gauging may have been corrected to another site, and only all its revisions say which one stands
        related = None if sites is None else self.related(sites)
        rows = self.read(table, related if table == "gaugings" else sites, self._with_deciding(table, columns))
        gaugings = rows
        if table != "gaugings" and set(GAUGING) <= set(rows.columns):
            gaugings = self.read("gaugings", related, [*GAUGING, "recorded_at", "status"])
        key = self.key(table) if "revision" in rows.columns else ()
        out = standing_rows(table, rows, gaugings, key)
        if sites is not None and "site" in out:
            out = out[out["site"].isin(set(sites))].reset_index(drop=True)
        return out if columns is None else out[list(columns)]

    def _with_deciding(self, table: str, columns: Sequence[str] | None) -> list[str] | None:
        """Add to some columns of a table those that decide which of its rows stand, and of which site."""
        if columns is None:
            return None
        names = self.names(table)
        decide = GAUGING if set(GAUGING) <= set(names) else [*self.key(table), "revision"]
        wanted = {*columns, *decide, "site", "status", "recorded_at"}
        return [name for name in names if name in wanted]
