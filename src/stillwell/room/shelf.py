"""The archive as the room holds it: one view per state of the ledger, with what was read kept.

Takes no lock of the archive. A commit made meanwhile is seen by the next request; a request under way keeps its view.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Sequence
from functools import cached_property
from pathlib import Path
from queue import Empty, LifoQueue
from threading import BoundedSemaphore
from typing import Any, TypeVar

import duckdb
import pandas as pd
import pyarrow as pa

from stillwell.archive.archive import Archive
from stillwell.archive.layout import schema_path
from stillwell.archive.ledger import Ledger
from stillwell.archive.standing import standing_rows
from stillwell.errors import ArchiveDamaged
from stillwell.reading.sql import connect
from stillwell.room.kept import Kept

T = TypeVar("T")

QUESTIONS = 4
"""SQL questions answered at once."""


class View:
    """An archive at one number of its ledger.

    Parameters
    ----------
    archive : Archive
    number : int
    kept : Kept
        Shared by the views of an archive.
    """

    def __init__(self, archive: Archive, number: int, kept: Kept) -> None:
        self.archive = archive
        self.number = number
        self._kept = kept
        self._turn = BoundedSemaphore(QUESTIONS)
        self._idle: LifoQueue[duckdb.DuckDBPyConnection] = LifoQueue()

    @cached_property
    def tag(self) -> str:
        """Name the state of the archive for caches."""
        return f'W/"{self.number}-{self.archive.ledger.head_digest()[:20]}"'

    def memo(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what was made for a key at this state of the ledger, else make it."""
        return self._kept.get((self.number, key), make)

    def memo_of_files(
        self, key: Hashable, tables: Sequence[str], sites: Sequence[str] | None, make: Callable[[], T]
    ) -> T:
        """Return what was made for a key from the same table files, at whatever state of the ledger, else make it.

        Table files never change, so that what rests on some of them outlives commits that add to others.
        """
        paths = tuple(path for table in tables for path in self.archive.table_paths(table, sites))
        listed = (self.archive.ledger.listed(schema_path(table)) for table in tables)
        described = tuple(file.sha256 for file in listed if file is not None)
        return self._kept.get((paths, described, key), make)

    def standing(self, table: str, site: str | None = None) -> pd.DataFrame:
        """Read the rows of a table that stand, of one site or all; empty where the archive has no such table."""
        if table not in self.tables:
            return pd.DataFrame()
        sites = None if site is None else [site]
        related = None if sites is None else self.archive.related(sites)
        return self.memo_of_files(
            ("standing", table, site), (table, "gaugings"), related, lambda: self.archive.standing(table, sites)
        )

    def every(self, table: str, sites: Sequence[str] | None = None) -> pd.DataFrame:
        """Read the rows of every revision of a table."""
        if table not in self.tables:
            return pd.DataFrame()
        key = None if sites is None else tuple(sites)
        return self.memo_of_files(("every", table, key), (table,), key, lambda: self.archive.read(table, key))

    def narrow(self, table: str, site: str, columns: Sequence[str]) -> pd.DataFrame:
        """Read some columns of the rows of a table that stand, for tables too long to be read whole."""
        needed = list(dict.fromkeys([*self.description(table)["primaryKey"], "revision", "recorded_at", *columns]))
        known = {field["name"] for field in self.description(table)["fields"]}
        rows = self.archive.read(table, [site], [name for name in needed if name in known])
        rows = rows[rows["site"] == site]
        if "revision" not in rows or rows["revision"].max() == 1:
            return rows.reset_index(drop=True)
        return standing_rows(table, rows, pd.DataFrame(), self.description(table)["primaryKey"])

    @cached_property
    def tables(self) -> tuple[str, ...]:
        """Name the tables of the archive."""
        return tuple(self.archive.tables())

    def description(self, table: str) -> dict[str, Any]:
        """Return the Table Schema of a table, as it stands in the archive."""
        said: dict[str, Any] = self.memo(
            ("description", table), lambda: json.loads(self.archive.document(f"schemas/{table}.json"))
        )
        return said

    def columns(self, table: str) -> list[str]:
        """Name the columns of a table."""
        return [field["name"] for field in self.description(table)["fields"]]

    def ask(self, question: str, values: Sequence[Any] = ()) -> pa.Table:
        """Answer one of the room's own SQL questions; ``values`` fill its question marks.

        Raises
        ------
        ArchiveDamaged
            If a file it needs cannot be read.
        """
        with self._turn:
            try:
                connection = self._idle.get_nowait()
            except Empty:
                connection = self._connected()
            try:
                return connection.sql(question, params=list(values)).to_arrow_table()
            except duckdb.Error as error:
                raise ArchiveDamaged(_unread(error)) from error
            finally:
                self._idle.put(connection)

    def _connected(self) -> duckdb.DuckDBPyConnection:
        try:
            return connect(self.archive)
        except duckdb.Error as error:
            raise ArchiveDamaged(_unread(error)) from error


def _unread(error: duckdb.Error) -> str:
    return f"a table could not be read: {str(error).splitlines()[0][:300]}; run an audit"


class Shelf:
    """The archive in a folder, always as it stands now.

    Parameters
    ----------
    root : Path
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._view: View | None = None
        self._kept = Kept()

    def view(self) -> View:
        """Return the newest view.

        Raises
        ------
        ArchiveError
            If there is no archive, or it is damaged.
        """
        number = Ledger(self.root).head_number()
        view = self._view
        if view is None or view.number != number:
            archive = Archive(self.root)
            view = self._view = View(archive, archive.ledger.head_number(), self._kept)
        return view
