"""Thread-safe LRU cache bounded by bytes; each value is built once."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Any, TypeVar

import pandas as pd
import pyarrow as pa

T = TypeVar("T")

MOST_BYTES = 400_000_000
"""What all that is kept may take in memory, roughly."""
LEAST = 2_000


class Kept:
    """Answers by key, the ones longest unasked for given up first.

    Parameters
    ----------
    most : int
        Bytes, roughly.
    """

    def __init__(self, most: int = MOST_BYTES) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, tuple[Any, int]] = OrderedDict()
        self._bytes = 0
        self._door = Lock()
        self._turns: dict[Hashable, Lock] = {}

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return the value of a key, building it if needed. Concurrent callers for a key block until it is built.

        Parameters
        ----------
        key : hashable
        make : callable
            May ask for other keys, never for its own.
        """
        with self._door:
            if key in self._kept:
                return self._stored(key)
            turn = self._turns.setdefault(key, Lock())
        with turn:
            with self._door:
                if key in self._kept:
                    return self._stored(key)
            made = make()
            with self._door:
                self._keep(key, made)
        return made

    def _stored(self, key: Hashable) -> Any:
        self._kept.move_to_end(key)
        return self._kept[key][0]

    def _keep(self, key: Hashable, made: Any) -> None:
        size = size_of(made)
        self._kept[key] = made, size
        self._bytes += size
        self._turns.pop(key, None)
        while self._bytes > self._most and len(self._kept) > 1:
            self._bytes -= self._kept.popitem(last=False)[1][1]


def size_of(made: Any) -> int:
    """Return roughly how much memory something takes."""
    if isinstance(made, pd.DataFrame):
        return int(made.memory_usage(deep=False).sum()) + LEAST
    if isinstance(made, pa.Table):
        return int(made.nbytes) + LEAST
    if isinstance(made, (str, bytes)):
        return len(made) + LEAST
    return int(getattr(made, "nbytes", 0)) + LEAST
