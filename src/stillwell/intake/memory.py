"""Memory that is no longer needed, given back to the system at once."""

from __future__ import annotations

import ctypes
from functools import cache
from typing import Any

import pyarrow as pa


def give_back() -> None:
    """Give memory that was freed back to the system; allocators otherwise keep tens of bytes a row for later."""
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
