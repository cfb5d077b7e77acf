"""The archive as the room holds it: one view per state of the ledger, with what was read kept until the next commit.

Takes no lock of the archive. A commit made meanwhile is seen by the next request; a request under way keeps its view.
"""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Callable, Sequence
from functools import cached_property
from pathlib import Path
from queue import Empty, LifoQueue
from threading import BoundedSemaphore, Lock
from typing import Any, TypeVar

import duckdb
import pandas as pd
import pyarrow as pa

from stillwell.archive.archive import Archive
from stillwell.archive.ledger import Ledger
from stillwell.archive.standing import standing_rows
from stillwell.errors import ArchiveDamaged
from stillwell.reading.sql import connect

T = TypeVar("T")

KEPT_BYTES = 400_000_000
"""What the answers kept of one view may take in memory, roughly."""
KEPT_LEAST = 2_000
QUESTIONS = 4
"""SQL questions answered at once."""


class View:
    """An archive at one number of its ledger.

    Parameters
    ----------
    archive : Archive
    number : int
    """

    def __init__(self, archive: Archive, number: int) -> None:
        self.archive = archive
        self.number = number
        self._kept: OrderedDict[Any, tuple[Any, int]] = OrderedDict()
        self._kept_bytes = 0
        self._door = Lock()
        self._turn = BoundedSemaphore(QUESTIONS)
        self._idle: LifoQueue[duckdb.DuckDBPyConnection] = LifoQueue()

    @cached_property
    def tag(self) -> str:
        """Name the state of the archive for caches."""
        return f'W/"{self.number}-{self.archive.ledger.head_digest()[:20]}"'

    def memo(self, key: Any, make: Callable[[], T]) -> T:
        """Return what was made for a key before, else make it and keep it while there is room.

        Two requests may make the same thing at once; neither waits for the other.
        """
        with self._door:
            if key in self._kept:
                self._kept.move_to_end(key)
                kept: T = self._kept[key][0]
                return kept
        made = make()
        size = _size(made)
        with self._door:
            if key not in self._kept:
                self._kept[key] = made, size
                self._kept_bytes += size
            while self._kept_bytes > KEPT_BYTES and len(self._kept) > 1:
                self._kept_bytes -= self._kept.popitem(last=False)[1][1]
        return made

    def standing(self, table: str, site: str | None = None) -> pd.DataFrame:
        """Read the rows of a table that stand, of one site or all; empty where the archive has no such table."""
        if table not in self.tables:
            return pd.DataFrame()
        sites = None if site is None else [site]
        return self.memo(("standing", table, site), lambda: self.archive.standing(table, sites))

    def every(self, table: str, sites: Sequence[str] | None = None) -> pd.DataFrame:
        """Read the rows of every revision of a table."""
        if table not in self.tables:
            return pd.DataFrame()
        key = None if sites is None else tuple(sites)
        return self.memo(("every", table, key), lambda: self.archive.read(table, key))

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
            view = self._view = View(archive, archive.ledger.head_number())
        return view


def _size(made: Any) -> int:
    if isinstance(made, pd.DataFrame):
        return int(made.memory_usage(deep=False).sum()) + KEPT_LEAST
    if isinstance(made, pa.Table):
        return int(made.nbytes) + KEPT_LEAST
    if isinstance(made, (str, bytes)):
        return len(made) + KEPT_LEAST
    size = getattr(made, "nbytes", 0)
    return int(size) + KEPT_LEAST
