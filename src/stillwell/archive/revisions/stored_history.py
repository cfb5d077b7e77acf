"""An archive as it stood before some moment, its rows read site by site as they are asked for.

For archives whose rows take more room than a machine has; ``snapshot.History`` holds them all and is quicker.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial
from typing import Literal

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.revisions.snapshot import EveryRow, dated_links

MOST_CELLS = 20_000_000
"""Cells of the tables kept at hand; those asked for longest ago are let go of first."""
LINKED = ("gauging_id", "site", "recorded_at")


class StoredHistory(EveryRow):
    """The rows of an archive in the order recorded, read from its files; answers as ``snapshot.History`` does.

    Parameters
    ----------
    archive : Archive
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._held: OrderedDict[tuple[str, str | None], pd.DataFrame] = OrderedDict()
        self._cells = 0
        self._sites = {name: set(archive.table_sites(name)) for name in archive.tables()}
        self._links = dated_links(archive.read("gaugings", columns=LINKED)) if "gaugings" in self._sites else []

    def tables(self) -> list[str]:
        """Name the tables."""
        return sorted(self._sites)

    def recorded_at(self, table: str, moment: datetime, sites: Sequence[str]) -> pd.DataFrame:
        """Return the rows of a table and some sites that one commit recorded."""
        first, last = (partial(_until, moment=pd.Timestamp(moment), side=side) for side in ("left", "right"))
        return self._joined(table, sites, lambda rows: rows.iloc[first(rows) : last(rows)])

    def rows(self, table: str, before: pd.Timestamp, sites: Sequence[str] | None) -> pd.DataFrame:
        """Return the rows of every revision recorded before a moment, of some sites where the table knows them."""
        return self._joined(table, sites, lambda rows: rows.iloc[: _until(rows, before, "left")])

    def columns(self, table: str, names: Sequence[str]) -> pd.DataFrame:
        """Return some columns of the rows of every revision."""
        return self._archive.read(table, columns=names)

    def _joined(
        self, table: str, sites: Sequence[str] | None, wanted: Callable[[pd.DataFrame], pd.DataFrame]
    ) -> pd.DataFrame:
        """Read the rows wanted of a table, of some sites where it knows them, in the order recorded.

        Sites are read one after the other, and of each only the rows wanted are kept in hand.
        """
        known = self._sites[table]
        if sites is None or not known:
            return wanted(self._part(table, None)).reset_index(drop=True)
        parts = [wanted(self._part(table, site)) for site in sorted(known & set(sites))]
        parts = [part for part in parts if len(part)] or parts[:1]
        if len(parts) == 1:
            return parts[0].reset_index(drop=True)
        whole = pd.concat(parts, ignore_index=True) if parts else self._archive.read(table, [])
        del parts
        if whole["recorded_at"].is_monotonic_increasing:
            return whole
        return whole.sort_values("recorded_at", kind="stable").reset_index(drop=True)

    def _part(self, table: str, site: str | None) -> pd.DataFrame:
        key = (table, site)
        if key not in self._held:
            rows = self._archive.read(table, None if site is None else [site])
            self._held[key] = rows.sort_values("recorded_at", kind="stable").reset_index(drop=True)
            self._cells += rows.size
            while self._cells > MOST_CELLS and len(self._held) > 1:
                _, gone = self._held.popitem(last=False)
                self._cells -= gone.size
        self._held.move_to_end(key)
        return self._held[key]


def _until(rows: pd.DataFrame, moment: pd.Timestamp, side: Literal["left", "right"]) -> int:
    """Count the rows, in the order recorded, from before a moment, or those of the moment too."""
    return int(rows["recorded_at"].searchsorted(moment, side=side))
