"""The archive as pages read it: one view per state of the ledger, with what was read kept.

Takes no lock of the archive. A commit made meanwhile is seen by the next request; a request under way keeps its view.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from datetime import datetime
from functools import cached_property
from pathlib import Path
from queue import Empty, LifoQueue
from threading import BoundedSemaphore, Lock
from typing import TYPE_CHECKING, Any, TypeVar

import pandas as pd
import pyarrow as pa

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import NEVER, commit_at
from stillwell.archive.disk.layout import schema_path
from stillwell.archive.ledger.chain import Entry, Ledger
from stillwell.errors import ArchiveDamaged, ArchiveError
from stillwell.pages.data.cache import Kept
from stillwell.reading.select.bounds import LONGEST_S, stopped_after
from stillwell.reading.select.described import Described, describe

if TYPE_CHECKING:
    import duckdb

T = TypeVar("T")

MOST_THEN = 8
"""Earlier states of the archive held at once."""
QUESTIONS = 4
"""SQL questions answered at once."""


class View:
    """An archive at one number of its ledger.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood when its newest entry was recorded.
    number : int
    kept : Kept
        Shared by the views of an archive.
    linked : bool
        Whether the marks of drawings lead to pages.
    """

    def __init__(self, archive: Archive, number: int, kept: Kept, *, linked: bool = True) -> None:
        self.archive = archive
        self.number = number
        self.as_of = archive.as_of
        self.linked = linked
        self._kept = kept
        self._turn = BoundedSemaphore(QUESTIONS)
        self._idle: LifoQueue[duckdb.DuckDBPyConnection] = LifoQueue()

    @cached_property
    def tag(self) -> str:
        """Name the state of the archive for caches."""
        return f'W/"{self.number}-{self.archive.ledger.head_digest()[:20]}"'

    @cached_property
    def head(self) -> Entry | None:
        """Return the newest entry of the view, None before the first."""
        return self.archive.ledger.entry(self.number) if self.number else None

    @cached_property
    def digest(self) -> str:
        """Return the sha256 of that entry."""
        ledger = self.archive.ledger
        if self.number == ledger.head_number():
            return ledger.head_digest()
        return ledger.entry(self.number + 1).previous or ""

    def memo(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what was made for a key at this state of the ledger, else make it."""
        return self._kept.get((self.archive.ledger.head_number(), self.number, self.as_of, key), make)

    def memo_of_files(
        self, key: Hashable, tables: Sequence[str], sites: Sequence[str] | None, make: Callable[[], T]
    ) -> T:
        """Return what was made for a key from the same table files, at whatever state of the ledger, else make it.

        Table files never change, so that what rests on some of them outlives commits that add to others.
        """
        paths = tuple(path for table in tables for path in self.archive.table_paths(table, sites))
        listed = (self.archive.ledger.listed(schema_path(table)) for table in tables)
        described = tuple(file.sha256 for file in listed if file is not None)
        return self._kept.get((paths, described, self.as_of, key), make)

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

    @cached_property
    def tables(self) -> tuple[str, ...]:
        """Name the tables of the archive."""
        return tuple(self.archive.tables())

    def description(self, table: str) -> dict[str, Any]:
        """Return the Table Schema of a table, as it stands in the archive."""
        schema: dict[str, Any] = self.memo(("description", table), lambda: self.archive.described(table))
        return schema

    def described(self, table: str) -> Described:
        """Return the archive's own description of a table, read."""
        described: Described = self.memo(("described", table), lambda: describe(self.archive, table))
        return described

    def columns(self, table: str) -> list[str]:
        """Name the columns of a table."""
        return [field["name"] for field in self.description(table)["fields"]]

    def ask(self, question: str, values: Sequence[Any] = ()) -> pa.Table:
        """Answer one of the room's own SQL questions; ``values`` fill its question marks.

        Raises
        ------
        ArchiveDamaged
            If a file it needs cannot be read.
        ArchiveError
            If it takes too long.
        """
        # imported late: a page that asks no such question starts without it
        import duckdb

        with self._turn:
            try:
                connection = self._idle.get_nowait()
            except Empty:
                connection = self._connected()
            late = None
            try:
                with stopped_after(LONGEST_S, connection.interrupt) as late:
                    return connection.sql(question, params=list(values)).to_arrow_table()
            except duckdb.Error as error:
                if late is not None and late.is_set():
                    msg = f"expected an answer within {LONGEST_S:g} s, found none; ask for one site or a span of time"
                    raise ArchiveError(msg) from error
                raise ArchiveDamaged(_unread(error)) from error
            finally:
                self._idle.put(connection)

    def _connected(self) -> duckdb.DuckDBPyConnection:
        import duckdb

        from stillwell.reading.select.sql import connect

        try:
            return connect(self.archive)
        except duckdb.Error as error:
            raise ArchiveDamaged(_unread(error)) from error


def _unread(error: duckdb.Error) -> str:
    return f"a table could not be read: {str(error).splitlines()[0][:300]}; run an audit"


class ArchiveViews:
    """The views of the archive in a folder: of how it stands now, and of how it stood at moments asked for.

    Parameters
    ----------
    root : Path
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._view: View | None = None
        self._then: OrderedDict[int, View] = OrderedDict()
        self._door = Lock()
        self._kept = Kept()

    def view(self, as_of: datetime | None = None) -> View:
        """Return the newest view, or that of an earlier moment.

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
            with self._door:
                self._then.clear()
        return view if as_of is None else self._view_then(view, as_of)

    def _view_then(self, newest: View, as_of: datetime) -> View:
        # every moment between two commits has one view
        ledger = newest.archive.ledger
        number = commit_at(ledger, as_of)
        with self._door:
            view = self._then.get(number)
            if view is None:
                recorded_at = ledger.entry(number).recorded_at if number else NEVER
                view = self._then[number] = View(newest.archive.at(recorded_at), number, self._kept)
            self._then.move_to_end(number)
            while len(self._then) > MOST_THEN:
                self._then.popitem(last=False)
        return view
