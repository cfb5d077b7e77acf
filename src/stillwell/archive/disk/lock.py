"""One writer at a time: an operating-system lock that dies with its holder. Readers never come here."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import random
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

from stillwell.archive.disk.fs import naming
from stillwell.archive.disk.regular_files import irregular
from stillwell.errors import ArchiveError, ArchiveLocked, CannotLock

WAIT_S = 20.0
"""Seconds to wait while another writer is at work: a season's deposit takes some two, a person waits no longer."""

_HELD = {errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES}
LOOK_AGAIN_S = (0.02, 0.12)
"""Least and most seconds between two looks at a lock that is held: a commit takes some tenths."""
_NO_LOCKS = {errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}


@contextmanager
def hold_lock(path: Path, since: datetime, *, wait_s: float = WAIT_S) -> Iterator[None]:
    """Hold an exclusive lock on a file while the block runs.

    Parameters
    ----------
    path : Path
        Made when it does not exist; never removed.
    since : datetime
        Now; written into the file, with the time waited added, for whoever finds it locked.
    wait_s : float
        Seconds to wait for another writer to end; with 0 a lock that is held is refused at once.

    Raises
    ------
    ArchiveLocked
        If another writer holds it all that time; says which, since when, and how long was waited.
    CannotLock
        If the filesystem gives no locks.
    ArchiveError
        If the file cannot be opened for writing, or is no regular file: what a link leads to is not written over.
    """
    if kind := irregular(path):
        msg = f"expected a file to lock at {path}, found {kind}; nothing was written"
        raise ArchiveError(msg)
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK, 0o666)
    except OSError as error:
        msg = f"expected to write in {path.parent}, found: {error.strerror}; nothing was written"
        raise ArchiveError(msg) from error
    try:
        waited = _take(descriptor, path, wait_s)
        held_since = since + timedelta(seconds=round(waited, 3))
        with naming(path):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, json.dumps({"pid": os.getpid(), "since": held_since.isoformat()}).encode(), 0)
        yield
        os.ftruncate(descriptor, 0)
    finally:
        os.close(descriptor)


def is_held(path: Path) -> bool:
    """Return whether somebody holds the lock of a file; one that is not there, or cannot be locked, is not held.

    Writes nothing; whoever takes the lock at this very moment looks once more.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in _HELD
    finally:
        os.close(descriptor)
    return False


def _take(descriptor: int, path: Path, wait_s: float) -> float:
    """Take the lock, asking again and again for as long as may be waited; return how long that was."""
    begun = time.monotonic()
    while (reason := _refused(descriptor, path)) is not None:
        waited = time.monotonic() - begun
        if waited >= wait_s:
            after = f" after waiting {waited:.1f} s" if wait_s > 0 else ""
            msg = f"another writer ({_holder(descriptor)}) holds {path}{after}; nothing was written, try again later"
            raise ArchiveLocked(msg) from reason
        # writers that wait together must not ask together
        time.sleep(min(random.uniform(*LOOK_AGAIN_S), max(wait_s - waited, 0.0)))
    return time.monotonic() - begun


def _refused(descriptor: int, path: Path) -> OSError | None:
    """Try to lock once; return the reason when another holds the lock."""
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _HELD:
            return error
        if error.errno in _NO_LOCKS:
            msg = f"the filesystem of {path} gives no locks ({error.strerror}); nothing was written"
            raise CannotLock(msg) from error
        raise
    return None


def _holder(descriptor: int) -> str:
    try:
        holder = json.loads(os.pread(descriptor, 4096, 0))
        return f"process {holder['pid']}, since {holder['since']}"
    except (ValueError, KeyError, TypeError):
        return "a process that has not yet said its name"
