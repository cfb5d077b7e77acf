"""Things put together, in their order, as many as fit. Decides only."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")


def packed(things: Iterable[T], size: Callable[[T], int], most: int, together: int = 0) -> Iterator[list[T]]:
    """Part things, in their order, into lots of a size; one that is larger is a lot by itself.

    Parameters
    ----------
    things : iterable
    size : callable
        Size of one, such as its number of rows.
    most : int
        Size of a lot.
    together : int
        Things of a lot at most; any number without.

    Yields
    ------
    list
    """
    lot: list[T] = []
    held = 0
    for thing in things:
        one = size(thing)
        if lot and (held + one > most or len(lot) == together):
            yield lot
            lot, held = [], 0
        lot.append(thing)
        held += one
    if lot:
        yield lot
