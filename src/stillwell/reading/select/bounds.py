"""Limits of time and memory for a question to a database that can be interrupted."""

from __future__ import annotations

import resource
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event, Timer

LONGEST_S = 60.0
"""Default limit in seconds: the slowest of our own questions, over 200,000 gaugings, takes about ten."""
_VIRTUAL = Path("/proc/self/statm")


@contextmanager
def stopped_after(seconds: float, interrupt: Callable[[], None]) -> Iterator[Event]:
    """Interrupt a block that takes longer than allowed.

    Parameters
    ----------
    seconds : float
    interrupt : callable
        Called once, from another thread.

    Yields
    ------
    Event
        Set when it was too late.
    """
    late = Event()

    def stop() -> None:
        late.set()
        interrupt()

    timer = Timer(seconds, stop)
    timer.daemon = True
    timer.start()
    try:
        yield late
    finally:
        timer.cancel()


@contextmanager
def room_for(size: int) -> Iterator[None]:
    """Limit the further memory of this process while the block runs, where the system reports its size.

    Parameters
    ----------
    size : int
        Bytes. A database counts its own tables and not the texts it builds; the system counts everything.
    """
    try:
        pages = int(_VIRTUAL.read_text(encoding="ascii").split()[0])
    except (OSError, ValueError):
        yield
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = pages * resource.getpagesize() + size
    if soft != resource.RLIM_INFINITY and soft <= most:
        yield
        return
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
