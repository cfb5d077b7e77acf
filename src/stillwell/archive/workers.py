"""Processes that help: spawned, never forked, and gone when the one they help is gone."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from threading import Thread
from typing import Any


@contextmanager
def spawned(
    processes: int, opening: Callable[..., None] | None = None, given: tuple[Any, ...] = ()
) -> Iterator[ProcessPoolExecutor]:
    """Have processes to share work among while the block runs; work not begun is dropped when it fails.

    Parameters
    ----------
    processes : int
    opening : callable, optional
        Called once in each process, before any work.
    given : tuple
        What it is called with.
    """
    # a forked child would keep the archive's lock alive after its parent is killed
    pool = ProcessPoolExecutor(
        processes, mp_context=get_context("spawn"), initializer=_begin, initargs=(opening, given)
    )
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _begin(opening: Callable[..., None] | None, given: tuple[Any, ...]) -> None:
    Thread(target=_end_with_parent, daemon=True).start()
    if opening is not None:
        opening(*given)


def _end_with_parent() -> None:
    """End at once, in the middle of the work, when the parent is gone, even if it was killed."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
