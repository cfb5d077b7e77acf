"""An archive as it stood before some moment, from rows already read. Reads nothing itself."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import AtCommit
from stillwell.archive.ledger.moved_gaugings import linked_sites, sites_named
from stillwell.archive.revisions.identity import gauging_ids
from stillwell.archive.tables.current_rows import key_of
from stillwell.intake.values.constant import distinct
from stillwell.schemas import SERIES_TIME

Ints = NDArray[np.int64]
LAST = pd.Timestamp("9999-12-31T00:00:00Z")
"""After every commit."""


class EveryRow(ABC):
    """Every row of an archive in the order recorded."""

    _links: Sequence[tuple[pd.Timestamp, tuple[str, str]]]

    @abstractmethod
    def tables(self) -> list[str]:
        """Name the tables."""

    @abstractmethod
    def recorded_at(self, table: str, moment: datetime, sites: Sequence[str]) -> pd.DataFrame:
        """Return the rows of a table and some sites that one commit recorded."""

    @abstractmethod
    def rows(self, table: str, before: pd.Timestamp, sites: Sequence[str] | None) -> pd.DataFrame:
        """Return the rows of every revision recorded before a moment, of some sites where the table knows them."""

    @abstractmethod
    def columns(self, table: str, names: Sequence[str]) -> pd.DataFrame:
        """Return some columns of the rows of every revision."""

    def codes(
        self, table: str, names: Sequence[str], before: pd.Timestamp, sites: Sequence[str] | None
    ) -> set[tuple[str, ...]]:
        """Return the different texts in some columns of the rows recorded before a moment."""
        if sites is not None:
            return set(distinct(self.rows(table, before, sites), names))
        asked = (table, tuple(names))
        if asked not in self._first:
            rows = self.columns(table, [*names, "recorded_at"]).dropna().sort_values("recorded_at", kind="stable")
            self._first[asked] = rows.drop_duplicates(list(names))
        first = self._first[asked]
        return set(distinct(first[first["recorded_at"] < before], names))

    @cached_property
    def _first(self) -> dict[tuple[str, tuple[str, ...]], pd.DataFrame]:
        """The first row of each code, by table and columns."""
        return {}

    @cached_property
    def first_known(self) -> Mapping[str, pd.Timestamp]:
        """When each archive id, and each id that a site, start and instrument make, was first recorded."""
        rows = self.columns("gaugings", ["gauging_id", "site", "started_at", "instrument", "recorded_at"])
        ids = pd.concat([rows["gauging_id"], gauging_ids(rows["site"], rows["started_at"], rows["instrument"])])
        return dict(pd.concat([rows["recorded_at"]] * 2).groupby(ids.to_numpy()).min())

    def recorded_among(self, table: str, moments: Sequence[pd.Timestamp], sites: Sequence[str]) -> pd.DataFrame:
        """Return the rows of a table and some sites that some commits recorded; of every site where none is named."""
        rows = self.rows(table, _after(max(moments)), sites or None)
        return rows[rows["recorded_at"].isin(list(moments))]

    def before(self, moment: datetime) -> Snapshot:
        """Return the archive as it stood just before a moment."""
        return Snapshot(self, moment)

    def links(self, before: pd.Timestamp) -> list[tuple[str, str]]:
        """Pair the sites that share a gauging by then."""
        return [link for at, link in self._links if at < before]

    @cached_property
    def first_linked(self) -> Mapping[str, pd.Timestamp]:
        """When each site that shares a gauging with another first did."""
        first: dict[str, pd.Timestamp] = {}
        for at, link in self._links:
            first |= {site: min(at, first.get(site, at)) for site in link}
        return first


class History(EveryRow):
    """Every row of an archive in the order recorded, so that any earlier state is near at hand.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Every row of every table.
    """

    def __init__(self, tables: Mapping[str, pd.DataFrame]) -> None:
        self._tables = {
            name: rows.sort_values("recorded_at", kind="stable").reset_index(drop=True) for name, rows in tables.items()
        }
        self._places: dict[str, dict[str, Ints]] = {}
        gaugings = self._tables.get("gaugings")
        self._links = [] if gaugings is None else dated_links(gaugings)

    def tables(self) -> list[str]:
        """Name the tables."""
        return sorted(self._tables)

    def recorded_at(self, table: str, moment: datetime, sites: Sequence[str]) -> pd.DataFrame:
        """Return the rows of a table and some sites that one commit recorded; of every site where none is named."""
        rows = self._tables[table]
        first, last = (int(rows["recorded_at"].searchsorted(pd.Timestamp(moment), side=s)) for s in ("left", "right"))
        mine = rows.iloc[first:last]
        return mine[mine["site"].isin(sites)] if sites and "site" in mine else mine

    def rows(self, table: str, before: pd.Timestamp, sites: Sequence[str] | None) -> pd.DataFrame:
        """Return the rows of every revision recorded before a moment, of some sites where the table knows them."""
        rows = self._tables[table]
        end = int(rows["recorded_at"].searchsorted(before, side="left"))
        if sites is None or "site" not in rows:
            return rows.iloc[:end].reset_index(drop=True)
        places = self._site_places(table)
        mine = [places[site] for site in sorted(set(sites)) if site in places]
        indexes = np.sort(np.concatenate(mine)) if mine else np.zeros(0, dtype=np.int64)
        return rows.iloc[indexes[indexes < end]].reset_index(drop=True)

    def columns(self, table: str, names: Sequence[str]) -> pd.DataFrame:
        """Return some columns of the rows of every revision."""
        return self._tables[table][list(names)]

    def _site_places(self, table: str) -> dict[str, Ints]:
        if table not in self._places:
            groups = self._tables[table].groupby("site", sort=False).indices
            self._places[table] = {str(site): np.asarray(rows) for site, rows in groups.items()}
        return self._places[table]


class Snapshot(AtCommit):
    """The rows of an archive recorded before a moment; answers as ``Archive`` would have then."""

    def __init__(self, history: EveryRow, before: datetime) -> None:
        self._history = history
        self._before = pd.Timestamp(before)

    def read(
        self, table: str, sites: Sequence[str] | None = None, columns: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """Return the rows of every revision."""
        rows = self._history.rows(table, self._before, sites)
        return rows if columns is None else rows[list(columns)]

    def codes(self, table: str, columns: Sequence[str], sites: Sequence[str] | None = None) -> set[tuple[str, ...]]:
        """Return the different texts in a column, or combinations of several, of the rows of every revision."""
        return self._history.codes(table, columns, self._before, sites)

    def related(self, sites: Sequence[str]) -> list[str]:
        """Add to some sites those that share a gauging with them."""
        return sorted(linked_sites(sites, self._history.links(self._before)))

    def names(self, table: str) -> list[str]:
        """Name the columns of a table."""
        return [str(name) for name in self.read(table, []).columns]

    def key(self, table: str) -> list[str]:
        """Name the columns of a table's key."""
        return key_of(table)


def _after(moment: datetime | None) -> pd.Timestamp:
    """Return the moment before which all was recorded by a moment."""
    return LAST if moment is None else pd.Timestamp(moment) + pd.Timedelta(microseconds=1)


def dated_links(gaugings: pd.DataFrame) -> list[tuple[pd.Timestamp, tuple[str, str]]]:
    """Pair the sites that share a gauging, each with the moment from which they do."""
    named = sites_named(gaugings["gauging_id"])
    moved = named.notna() & (named != gaugings["site"])
    pairs = zip(named[moved], gaugings.loc[moved, "site"], strict=True)
    return list(zip(gaugings.loc[moved, "recorded_at"], pairs, strict=True))


class HeldArchive(Archive):
    """An archive whose rows are all at hand, so that its table files are not read again.

    Parameters
    ----------
    archive : Archive
        Complete.
    history : EveryRow
        Of this archive.
    """

    def __init__(self, archive: Archive, history: EveryRow) -> None:
        self._open(archive.root, archive.ledger, archive.complete)
        self._history = history

    def read(
        self,
        table: str,
        sites: Sequence[str] | None = None,
        columns: Sequence[str] | None = None,
        years: Sequence[int] | None = None,
    ) -> pd.DataFrame:
        """Return the rows of every revision, as ``Archive.read`` does, in the order recorded."""
        if table not in self._history.tables():
            return super().read(table, sites, columns, years)
        rows = self._history.rows(table, _after(self.as_of), sites)
        if years is not None:
            rows = rows[rows[SERIES_TIME[table]].dt.year.isin(years)]
        return rows if columns is None else rows[list(columns)]

    def codes(self, table: str, columns: Sequence[str], sites: Sequence[str] | None = None) -> set[tuple[str, ...]]:
        """Return the different texts in a column, or combinations of several, of the rows of every revision."""
        return set(distinct(self.read(table, sites, columns), columns))
