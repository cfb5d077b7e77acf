"""Memory that is no longer needed, given back to the system at once."""

from __future__ import annotations

import ctypes
from functools import cache
from typing import Any

import pyarrow as pa

WORTH = 2**20
"""Bytes from which on it pays to give them back: the whole heap is walked for it."""


def give_back(freed: int = WORTH) -> None:
    """Give memory that was freed back to the system; allocators otherwise keep tens of bytes a row for later.

    Parameters
    ----------
    freed : int
        Bytes let go of; fewer than ``WORTH`` are left to the allocators.
    """
    if freed < WORTH:
        return
    pa.default_memory_pool().release_unused()
    trim = _trim()
    if trim is not None:
        trim(0)


@cache
def _trim() -> Any:
    """Find the function of the C library that does so; other systems than Linux with glibc have none."""
    try:
        return getattr(ctypes.CDLL(None), "malloc_trim", None)
    except (OSError, TypeError):
        return None
