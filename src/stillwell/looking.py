"""Parts of an audit, done by the caller and by processes that help; what is found does not depend on who does which."""

from __future__ import annotations

import json
import os
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from queue import SimpleQueue
from tempfile import TemporaryDirectory
from threading import Thread
from time import sleep
from typing import Any

import pandas as pd
from pandera.errors import SchemaErrors

from schemas import ARCHIVE_TABLES
from stillwell.archive.archive import Archive
from stillwell.archive.fixity import listed_faults
from stillwell.archive.history import StoredHistory
from stillwell.archive.many_files import kept_rows, rows_kept
from stillwell.archive.netcdf_compare import netcdf_faults
from stillwell.archive.outputs import Output
from stillwell.archive.snapshot import EveryRow, HeldArchive, History
from stillwell.archive.workers import spawned
from stillwell.committing import office_of
from stillwell.comparing import Recorded
from stillwell.errors import ArchiveDamaged, ProcessLost
from stillwell.proving import Proved, Prover
from stillwell.records import Fault

RECORDED = "recorded.json"
PARTS = 3
"""Parts of some work for each process."""
WAIT_S = 0.02
"""Between two looks whether a process that helps has begun."""


@dataclass(frozen=True)
class Read:
    """What reading rows of a table came to."""

    recorded: Counter[tuple[str, pd.Timestamp]]
    """Rows by table and moment of their commit."""
    broken: tuple[Fault, ...] = ()
    unlike: tuple[Fault, ...] = ()
    """What is not as its schema says."""


class Looker:
    """Does parts of an audit; there is one in each process.

    Parameters
    ----------
    archive : Archive
        Complete.
    few : bool
        Whether all rows are held while the archive is proved.
    place : Path, optional
        Folder in which processes leave what others need; without it there are no others.
    """

    def __init__(self, archive: Archive, *, few: bool, place: Path | None = None) -> None:
        self._plain, self._few, self._place = archive, few, place
        self._frames: dict[str, pd.DataFrame] = {}
        self._listing = archive.listing()
        self._recorded: Recorded = {}

    def files(self, paths: Sequence[str]) -> list[Fault]:
        """Hold listed files against their sizes and digests."""
        return [fault for path in paths for fault in listed_faults(self._plain, self._listing[path])]

    def sealed(self, digests: Sequence[str]) -> list[Fault]:
        """Check every byte of sealed deposits."""
        return [fault for digest in digests for fault in self._plain.sealed.faults(digest)]

    def read(self, table: str, sites: Sequence[str] | None, sound: bool) -> Read:
        """Read rows of a table, hold them against their schema, and keep them where all are held.

        Where not every file is ``sound``, page checksums tell which rows can be read.
        """
        archive = self._plain
        try:
            rows = archive.read_proved(table) if self._few and sound else archive.read(table, sites)
        except ArchiveDamaged as error:
            return Read(Counter(), (Fault("table", f"tables/{table}", str(error)),))
        moments = rows["recorded_at"].value_counts()
        recorded = Counter({(table, moment): int(n) for moment, n in zip(moments.index, moments, strict=True)})
        if self._few and self._place is None:
            self._frames[table] = rows
        elif self._few and self._place is not None:
            kept_rows(rows, self._place / f"{table}.arrow")
        return Read(recorded, unlike=tuple(_schema_faults(table, rows)))

    def tell(self, recorded: Recorded) -> None:
        """Take note of how many rows each commit recorded, for this process and the others."""
        self._recorded = recorded
        if self._place is not None:
            said = [[table, moment.isoformat(), rows] for (table, moment), rows in recorded.items()]
            (self._place / RECORDED).write_text(json.dumps(said))

    def netcdf(self, wanted: Sequence[Output]) -> list[Fault]:
        """Hold NetCDF files against the rows they are made of."""
        return list(netcdf_faults(self.archive, wanted, office_of(self.archive)))

    def prove(self, numbers: Sequence[int]) -> list[Proved]:
        """Take commits again and compare every row."""
        return self._prover.prove_some(numbers)

    @cached_property
    def archive(self) -> Archive:
        """The archive, its rows at hand once they are read, where there are not too many."""
        return HeldArchive(self._plain, self._history) if self._few else self._plain

    @cached_property
    def _history(self) -> EveryRow:
        if not self._few:
            return StoredHistory(self._plain)
        if self._place is None:
            return History(self._frames)
        return History({path.stem: rows_kept(path) for path in sorted(self._place.glob("*.arrow"))})

    @cached_property
    def _prover(self) -> Prover:
        if not self._recorded and self._place is not None:
            said = json.loads((self._place / RECORDED).read_text())
            self._recorded = {(table, pd.Timestamp(moment)): rows for table, moment, rows in said}
        return Prover(self._plain, self._plain.ledger.entries(), self._history, self._recorded)


def _schema_faults(name: str, rows: pd.DataFrame) -> Iterator[Fault]:
    try:
        ARCHIVE_TABLES[name].validate(rows, lazy=True)
    except SchemaErrors as error:
        for case in error.failure_cases.drop_duplicates(["column", "check"]).itertuples():
            sentence = f"column {case.column}: expected {case.check}, found {case.failure_case!r}"
            yield Fault("schema", f"tables/{name}", sentence)


class Crew:
    """The caller's looker, and processes that help it once they have begun."""

    def __init__(self, looker: Looker, pool: ProcessPoolExecutor | None, helpers: int) -> None:
        self.looker, self.helpers = looker, helpers
        self._pool = pool
        # a process begins when it gets its first task
        self._begun: list[Future[int]] = [pool.submit(os.getpid) for _ in range(helpers)] if pool else []

    def parted(self, things: Sequence[Any], most: int | None = None) -> list[Sequence[Any]]:
        """Part things into lots of neighbours, several for each process, so that none waits long for another."""
        size = -(-len(things) // (PARTS * (self.helpers + 1))) if self.helpers else len(things)
        size = max(1, size if most is None else min(size, most))
        return [things[i : i + size] for i in range(0, len(things), size)]

    def faults(self, work: str, lots: Sequence[Any]) -> list[Fault]:
        """Do some work on lots of things, and return the faults in the order of these."""
        return [fault for found in self.all(work, [(lot,) for lot in lots]) for fault in found]

    def all(self, work: str, parts: Sequence[tuple[Any, ...]]) -> list[Any]:
        """Do parts of some work, and return what each came to, in their order."""
        done = dict(self.each(work, parts))
        return [done[place] for place in range(len(parts))]

    def each(
        self, work: str, parts: Sequence[tuple[Any, ...]], enough: Callable[[], bool] = lambda: False
    ) -> Iterator[tuple[int, Any]]:
        """Do parts of some work as they come to hand, until it is enough; yield place and what it came to.

        Parameters
        ----------
        work : str
            Name of a method of ``Looker``.
        parts : sequence of tuple
            What it is called with.
        enough : callable
            Asked after each part; parts that were begun are ended.

        Raises
        ------
        ProcessLost
            If a process that helps ended before it had said what it found.
        """
        for begun in self._begun:
            if begun.done() and (error := begun.exception()) is not None:
                raise _lost() from error
        todo = deque(enumerate(parts))
        done: SimpleQueue[tuple[int, Any, BaseException | None]] = SimpleQueue()
        threads = [Thread(target=self._helped, args=(i, work, todo, done), daemon=True) for i in range(self.helpers)]
        try:
            for thread in threads:
                thread.start()
            while todo:
                try:
                    place, part = todo.popleft()
                except IndexError:  # a process took the last one
                    break
                yield place, getattr(self.looker, work)(*part)
                yield from _taken(done)
                if enough():
                    todo.clear()
            for thread in threads:
                thread.join()
            yield from _taken(done)
        finally:
            todo.clear()

    def _helped(self, number: int, work: str, todo: deque[Any], done: SimpleQueue[Any]) -> None:
        """Give a process one part after the other; while it has not begun, the caller does them."""
        while todo and not self._begun[number].done():
            sleep(WAIT_S)
        while self._pool is not None:
            try:
                place, part = todo.popleft()
            except IndexError:
                return
            try:
                done.put((place, self._pool.submit(_do, work, part).result(), None))
            except BaseException as error:  # raised again by the caller, in ``_taken``
                done.put((place, None, error))
                return


def _taken(done: SimpleQueue[tuple[int, Any, BaseException | None]]) -> Iterator[tuple[int, Any]]:
    while not done.empty():
        place, found, error = done.get()
        if isinstance(error, BrokenProcessPool):
            raise _lost() from error
        if error is not None:
            raise error
        yield place, found


def _lost() -> ProcessLost:
    return ProcessLost(
        "expected processes to share the audit, found that one ended before it was done, perhaps for want of memory; "
        "nothing was changed, and `stillwell audit --processes 1` goes without them"
    )


@contextmanager
def crew(archive: Archive, *, few: bool, processes: int) -> Iterator[Crew]:
    """Have an archive looked at by so many processes, the caller among them, while the block runs.

    Parameters
    ----------
    archive : Archive
        Complete.
    few : bool
        As of ``Looker``.
    processes : int
        With fewer than two the caller does all.

    Raises
    ------
    OSError
        If there is no place for what processes leave for each other.
    """
    if processes < 2:
        yield Crew(Looker(archive, few=few), None, 0)
        return
    with TemporaryDirectory(prefix="stillwell-audit-") as place:
        folder = Path(place)
        given = (archive.root, archive.ledger.head_number(), few, folder)
        with spawned(processes - 1, _open, given) as pool:
            yield Crew(Looker(archive, few=few, place=folder), pool, processes - 1)


_OPENED: list[Looker] = []
"""The looker of a process that helps, opened once."""


def _open(root: Path, head: int, few: bool, place: Path) -> None:
    _OPENED.append(Looker(Archive(root, complete=True, number=head), few=few, place=place))


def _do(work: str, part: tuple[Any, ...]) -> Any:
    return getattr(_OPENED[0], work)(*part)
