"""Regular files only: reading a file that is one, and naming what is not. Follows no link, waits for no pipe."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

_KINDS = (
    (stat.S_ISLNK, "a link"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def irregular(path: Path) -> str:
    """Name what a path is where it is neither a regular file nor a folder; empty where it is, or is not there."""
    try:
        mode = path.lstat().st_mode
    except OSError:
        return ""
    return next((words for matches, words in _KINDS if matches(mode)), "")


def is_folder(path: Path) -> bool:
    """Return whether a path is a folder itself, not a link to one."""
    return path.is_dir() and not path.is_symlink()


def check_regular(path: Path) -> None:
    """Refuse a path that is a link, a pipe, a socket or a device, before a library opens it and waits.

    Raises
    ------
    OSError
        If it is one; what is not there is left to whoever opens it.
    """
    if kind := irregular(path):
        raise OSError(errno.EINVAL, f"{kind}, which is not a regular file", str(path))


def read_regular(path: Path) -> bytes:
    """Read a file, if it is a regular one.

    Parameters
    ----------
    path : Path
        Its last part may not be a link; the folders before it are not looked at.

    Raises
    ------
    OSError
        If it is missing, cannot be read, or is a link, a pipe, a socket or a device.
    """
    check_regular(path)
    # between the look and the opening it may have become one: neither followed nor waited for
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as handle:
        return handle.read()
