"""Processes that help: spawned, never forked, and gone when the one they help is gone."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import cache
from multiprocessing import get_context, parent_process
from threading import Thread
from typing import Any

from stillwell.archive.filled_groups import packed
from stillwell.errors import ProcessLost

AT_HAND = 2
"""Parts that a process has at most: the one it does and the next."""
LOTS = 4
"""Lots for each process, so that none waits long for another at the end."""


@contextmanager
def spawned(processes: int, opening: Callable[[], Any] | None = None) -> Iterator[ProcessPoolExecutor]:
    """Have processes to share work among while the block runs; work not begun is dropped when it fails.

    Parameters
    ----------
    processes : int
    opening : callable, optional
        Makes the object of each process whose methods a ``Crew`` calls; called once, with the first of its work.
    """
    # a forked child would keep the archive's lock alive after its parent is killed
    pool = ProcessPoolExecutor(processes, mp_context=get_context("spawn"), initializer=_begin, initargs=(opening,))
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


_OPENING: list[Callable[[], Any] | None] = []


def _begin(opening: Callable[[], Any] | None) -> None:
    Thread(target=_end_with_parent, daemon=True).start()
    _OPENING.append(opening)


def _end_with_parent() -> None:
    """End at once, in the middle of the work, when the parent is gone, even if it was killed."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


class Crew:
    """The caller and the processes that help it, each with an object of its own whose methods do parts of the work.

    Parameters
    ----------
    own : object
        That of the caller.
    pool : ProcessPoolExecutor, optional
        Processes that opened theirs; without them the caller does all.
    helpers : int
        How many these are.
    """

    def __init__(self, own: Any, pool: ProcessPoolExecutor | None = None, helpers: int = 0) -> None:
        self.own, self.helpers, self._pool = own, helpers, pool
        # a process begins when there is a first task for it
        self._begun = [pool.submit(os.getpid) for _ in range(helpers)] if pool else []

    def size(self, things: int) -> int:
        """Say how many of so many things make a lot, so that each process has several; all without helpers."""
        return max(1, -(-things // (LOTS * (self.helpers + 1))) if self.helpers else things)

    def lots(self, things: Sequence[Any], sizes: Sequence[int] = ()) -> list[list[Any]]:
        """Group neighbouring things into lots, several for each process; one lot without helpers.

        Parameters
        ----------
        things : sequence
        sizes : sequence of int, optional
            How large each is; all alike where not given.

        Returns
        -------
        list of list
            None is larger than its share, unless one thing is.
        """
        weights = sizes or [1] * len(things)
        lots = packed(zip(things, weights, strict=True), lambda pair: pair[1], self.size(sum(weights)))
        return [[thing for thing, _ in lot] for lot in lots]

    def all(self, work: str, parts: Sequence[tuple[Any, ...]]) -> list[Any]:
        """Do parts of some work, and return what each came to, in their order."""
        done = dict(self.each(work, parts))
        return [done[place] for place in range(len(parts))]

    def each(
        self, work: str, parts: Sequence[tuple[Any, ...]], enough: Callable[[], bool] = lambda: False
    ) -> Iterator[tuple[int, Any]]:
        """Do parts of some work, those named first begun first, until it is enough.

        Parameters
        ----------
        work : str
            Name of the method that does a part.
        parts : sequence of tuple
            What it is called with.
        enough : callable
            Asked after each part; parts that were begun are ended.

        Yields
        ------
        int, object
            Place of a part, and what it came to, as it is done.

        Raises
        ------
        ProcessLost
            If a process that helps ended before it was done.
        """
        todo, given = deque(enumerate(parts)), dict[Future[Any], int]()
        try:
            while todo or given:
                while todo and self._pool is not None and len(given) < AT_HAND * self._ready():
                    place, part = todo.popleft()
                    given[self._pool.submit(_do, work, part)] = place
                if todo:
                    place, part = todo.popleft()
                    yield place, getattr(self.own, work)(*part)
                for future in self._ended(given, at_once=bool(todo)):
                    yield given.pop(future), future.result()
                if enough():
                    todo.clear()
        except BrokenProcessPool as error:
            msg = (
                f"expected {self.helpers + 1} processes to share the work, found that one ended before it was done, "
                "perhaps for want of memory; nothing was changed, and `--processes 1` goes without them"
            )
            raise ProcessLost(msg) from error

    def _ready(self) -> int:
        """Count the processes that have begun; until then the caller does not wait for them."""
        return sum(future.done() and future.result() > 0 for future in self._begun)

    @staticmethod
    def _ended(given: dict[Future[Any], int], *, at_once: bool) -> list[Future[Any]]:
        """Name the given parts that are done, in their order; unless that is wanted at once, wait for one."""
        done = wait(given, timeout=0 if at_once else None, return_when=FIRST_COMPLETED).done
        # of several parts that failed, the caller always hears of the first
        return sorted(done, key=given.__getitem__)


@cache
def _opened() -> Any:
    """Open the object of a process that helps; what fails here is an error of the part it was opened for."""
    return _OPENING[0]() if _OPENING and _OPENING[0] is not None else None


def _do(work: str, part: tuple[Any, ...]) -> Any:
    return getattr(_opened(), work)(*part)
