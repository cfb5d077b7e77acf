"""One writer at a time: an operating-system lock that dies with its holder. Readers never come here."""

from __future__ import annotations

import errno
import fcntl
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from stillwell.errors import ArchiveError, ArchiveLocked, CannotLock

_HELD = {errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES}
_NO_LOCKS = {errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}


@contextmanager
def hold_lock(path: Path, since: datetime) -> Iterator[None]:
    """Hold an exclusive lock on a file while the block runs.

    Parameters
    ----------
    path : Path
        Made when it does not exist; never removed.
    since : datetime
        Written into the file for whoever finds it locked.

    Raises
    ------
    ArchiveLocked
        If another writer holds it; says which and since when.
    CannotLock
        If the filesystem gives no locks.
    ArchiveError
        If the file cannot be opened for writing.
    """
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        msg = f"expected to write in {path.parent}, found: {error.strerror}; nothing was written"
        raise ArchiveError(msg) from error
    try:
        _take(descriptor, path)
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps({"pid": os.getpid(), "since": since.isoformat()}).encode(), 0)
        yield
        os.ftruncate(descriptor, 0)
    finally:
        os.close(descriptor)


def _take(descriptor: int, path: Path) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _HELD:
            holder = _holder(descriptor)
            msg = f"another writer ({holder}) holds {path}; nothing was written, try again later"
            raise ArchiveLocked(msg) from error
        if error.errno in _NO_LOCKS:
            msg = f"the filesystem of {path} gives no locks ({error.strerror}); nothing was written"
            raise CannotLock(msg) from error
        raise


def _holder(descriptor: int) -> str:
    try:
        said = json.loads(os.pread(descriptor, 4096, 0))
        return f"process {said['pid']}, since {said['since']}"
    except (ValueError, KeyError, TypeError):
        return "a process that has not yet said its name"
