"""Which files an answer was read from, to check later whether they are still the current ones."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.revisions.later_rows import rows_recorded_after, rows_since
from stillwell.prepare.context import SpanView

_Asked = tuple[str, tuple[str, ...] | None]
"""Table and sites; None for every site."""


class InputView(SpanView):
    """An archive that notes the files each answer was read from.

    Parameters
    ----------
    archive : Archive
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._files: dict[_Asked, list[str]] = {}
        self._related: dict[tuple[str, ...], list[str]] = {}

    def read(
        self, table: str, sites: Sequence[str] | None = None, columns: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """Return the rows of every revision."""
        self._note(table, sites)
        return self._archive.read(table, sites, columns)

    def codes(self, table: str, columns: Sequence[str], sites: Sequence[str] | None = None) -> set[tuple[str, ...]]:
        """Return the different texts in a column, or combinations of several, of the rows of every revision."""
        self._note(table, sites)
        return self._archive.codes(table, columns, sites)

    def since(self, table: str, site: str, moment: datetime) -> pd.DataFrame:
        """Return the rows of every revision of a series at a site whose moment is this one or a later one."""
        self._note(table, [site])
        return rows_since(self._archive, table, site, moment)

    def recorded_after(self, table: str, site: str, number: int, moment: datetime) -> pd.DataFrame:
        """Return the rows of a table and site that were recorded after a commit, by its number and moment."""
        self._note(table, [site])
        return rows_recorded_after(self._archive, table, site, number, moment)

    def related(self, sites: Sequence[str]) -> list[str]:
        """Add to some sites those that share a gauging with them."""
        linked = self._archive.related(sites)
        self._related[tuple(sites)] = linked
        return linked

    def names(self, table: str) -> list[str]:
        """Name the columns of a table."""
        return self._archive.names(table)

    def key(self, table: str) -> list[str]:
        """Name the columns of a table's key."""
        return self._archive.key(table)

    def _note(self, table: str, sites: Sequence[str] | None) -> None:
        self._files[table, None if sites is None else tuple(sites)] = self._archive.table_paths(table, sites)

    def same_in(self, archive: Archive) -> bool:
        """Return whether every answer would be read from the same files in another state of the archive.

        Parameters
        ----------
        archive : Archive

        Returns
        -------
        bool
            Files of tables never change, so the answers are then the same.
        """
        return all(archive.related(sites) == linked for sites, linked in self._related.items()) and all(
            archive.table_paths(table, sites) == paths for (table, sites), paths in self._files.items()
        )
