"""The one door to the filesystem for writing. Reads nothing and knows nothing of archives.

A file is written under a temporary name in its own folder, fsynced, renamed, and its folder fsynced: after a
crash it is there whole or not at all. Where many are written at once the filesystem is asked once for all of them,
if it is one that then reports its errors (syncfs, Linux 5.8 and later). POSIX only.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import IO


def _write(handle: IO[bytes], data: bytes) -> int:
    return handle.write(data)


def _syncfs_or_none() -> Callable[[int], None] | None:
    """Find the call that writes a whole filesystem out and reports its errors; None where there is none."""
    release = re.match(r"(\d+)\.(\d+)", os.uname().release)
    library = ctypes.CDLL(None, use_errno=True)
    if os.uname().sysname != "Linux" or release is None or not hasattr(library, "syncfs"):
        return None
    if (int(release[1]), int(release[2])) < (5, 8):
        return None

    def syncfs(descriptor: int) -> None:
        if library.syncfs(descriptor) != 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))

    return syncfs


@dataclass
class System:
    """The calls that reach the disk; a test replaces them to see what a failing disk does."""

    write: Callable[[IO[bytes], bytes], int] = _write
    fsync: Callable[[int], None] = os.fsync
    syncfs: Callable[[int], None] | None = field(default_factory=_syncfs_or_none)
    replace: Callable[[Path, Path], None] = os.replace
    link: Callable[[Path, Path], None] = os.link
    mkdir: Callable[[Path], None] = os.mkdir
    unlink: Callable[[Path], None] = os.unlink
    rmdir: Callable[[Path], None] = os.rmdir


system = System()

MANY = 32
"""Files or folders from which on the whole filesystem is asked to write out, once."""

_NO_LINKS = {errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EMLINK}


def temporary(path: Path) -> Path:
    """Name the file under which ``path`` is written until it is whole."""
    return path.with_name(f".{path.name}.part")


def write_files(files: Sequence[tuple[Path, bytes]]) -> None:
    """Write many files, each whole or not at all; every folder is fsynced once, after the last rename.

    Parameters
    ----------
    files : sequence of (Path, bytes)
        A path that exists is replaced.

    Raises
    ------
    OSError
        If the disk refuses; temporary files are removed as far as it lets us.
    """
    make_folders({path.parent for path, _ in files})
    try:
        many = len(files) >= MANY
        for path, data in files:
            _write_whole(temporary(path), [data], settled=not many)
        if many:
            _settle([temporary(path) for path, _ in files])
        for path, _ in files:
            system.replace(temporary(path), path)
    except OSError:
        for path, _ in files:
            with suppress(OSError):
                system.unlink(temporary(path))
        raise
    sync_folders({path.parent for path, _ in files})


def write_file(path: Path, data: bytes) -> None:
    """Write one file, whole or not at all."""
    write_files([(path, data)])


def write_pieces(path: Path, pieces: Iterable[bytes]) -> None:
    """Write one file, whole or not at all, from pieces that are made one after the other and never held together.

    Raises
    ------
    OSError
        As ``write_files``; whatever making a piece raises is raised too, and nothing is left either.
    """
    make_folder(path.parent)
    part = temporary(path)
    try:
        _write_whole(part, pieces)
        system.replace(part, path)
    except BaseException:
        with suppress(OSError):
            system.unlink(part)
        raise
    sync_folders({path.parent})


def write_answer(path: Path, data: bytes) -> None:
    """Write bytes to a place a user named: a new file whole or not at all, a device or a pipe as it comes.

    Raises
    ------
    FileExistsError
        If a file has that name; it is left as it is.
    OSError
        If the folder does not exist, or the disk refuses.
    """
    if path.exists() and not path.is_file():
        with naming(path), path.open("wb") as handle:
            system.write(handle, data)
            handle.flush()
        return
    if not path.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))
    create_exclusive(path, data)


def create_exclusive(path: Path, data: bytes) -> None:
    """Write a file that must not exist yet: it appears whole, at once, or not at all.

    Parameters
    ----------
    path : Path
    data : bytes

    Raises
    ------
    FileExistsError
        If something already has that name; it is left as it is.
    """
    make_folders({path.parent})
    part = temporary(path)
    try:
        _write_whole(part, [data])
        _name_exclusively(part, path)
    finally:
        with suppress(FileNotFoundError):
            system.unlink(part)
    sync_folders({path.parent})


def _name_exclusively(part: Path, path: Path) -> None:
    try:
        system.link(part, path)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        # without hard links the writer's lock is what keeps others out between these two lines
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from error
        system.replace(part, path)


def move_into_place(moves: Sequence[tuple[Path, Path]]) -> None:
    """Rename whole, fsynced files to their final paths, replacing what is there.

    Parameters
    ----------
    moves : sequence of (Path, Path)
        From and to, on one filesystem.
    """
    make_folders({final.parent for _, final in moves})
    for staged, final in moves:
        system.replace(staged, final)
    sync_folders({path.parent for move in moves for path in reversed(move)})


def publish_folder(made: Path, final: Path) -> None:
    """Rename a whole, fsynced folder to its final path, which must not exist.

    Raises
    ------
    OSError
        If the final path holds something.
    """
    publish_folders([(made, final)])


def publish_folders(moves: Sequence[tuple[Path, Path]]) -> None:
    """Rename whole, fsynced folders to their final paths, which must not exist; see ``publish_folder``."""
    make_folders({final.parent for _, final in moves})
    for made, final in moves:
        system.replace(made, final)
    sync_folders({path.parent for move in moves for path in move})


def make_folder(path: Path) -> None:
    """Make a folder and the parents it lacks, so that they outlast a crash."""
    make_folders({path})


def make_folders(paths: Iterable[Path]) -> None:
    """Make folders and the parents they lack; fsync the parent of each that is new."""
    touched: set[Path] = set()
    for path in sorted(set(paths)):
        missing = takewhile(lambda folder: not folder.is_dir(), [path, *path.parents])
        for folder in reversed(list(missing)):
            with suppress(FileExistsError):
                system.mkdir(folder)
            touched.add(folder.parent)
    sync_folders(touched)


def sync_folders(paths: Iterable[Path]) -> None:
    """Fsync folders, so that names given in them outlast a crash."""
    _settle(sorted(set(paths)))


def _settle(paths: Sequence[Path]) -> None:
    """Make files or folders of one filesystem outlast a crash: each by itself, or many of them at once."""
    write_out, some = (system.syncfs, paths[:1]) if len(paths) >= MANY and system.syncfs else (system.fsync, paths)
    for path in some:
        descriptor = os.open(path, os.O_RDONLY)
        try:
            with naming(path):
                write_out(descriptor)
        finally:
            os.close(descriptor)


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Name the file in an error of the disk that a call on an open file raises without one."""
    try:
        yield
    except OSError as error:
        if error.filename is None:
            error.filename = str(path)
        raise


def remove_files(paths: Iterable[Path]) -> None:
    """Remove files that are there, and fsync their folders."""
    touched = set()
    for path in paths:
        with suppress(FileNotFoundError, NotADirectoryError):
            system.unlink(path)
            touched.add(path.parent)
    sync_folders(touched)


def remove_file(path: Path) -> None:
    """Remove a file if it is there."""
    remove_files([path])


def remove_tree(path: Path) -> None:
    """Remove a folder with all it holds, if it is there; a link is removed, not followed."""
    if path.is_symlink():
        remove_file(path)
    elif path.is_dir():
        for folder, folders, files in os.walk(path, topdown=False):
            for name in [*files, *(name for name in folders if (Path(folder) / name).is_symlink())]:
                system.unlink(Path(folder) / name)
            for name in (name for name in folders if (Path(folder) / name).is_dir()):
                system.rmdir(Path(folder) / name)
        system.rmdir(path)
        sync_folders({path.parent})


def remove_empty_folders(path: Path, stop: Path) -> None:
    """Remove a folder and its parents as long as they are empty, up to but without ``stop``."""
    removed = False
    while path != stop and stop in path.parents:
        try:
            system.rmdir(path)
            removed = True
        except FileNotFoundError:
            pass
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST):
                raise
            break
        path = path.parent
    if removed:
        sync_folders({path})


def _write_whole(path: Path, pieces: Iterable[bytes], *, settled: bool = True) -> None:
    with naming(path), path.open("wb") as handle:
        for piece in pieces:
            system.write(handle, piece)
        handle.flush()
        if settled:
            system.fsync(handle.fileno())


def append_file(path: Path, data: bytes) -> None:
    """Add to the end of a file, which is made where there is none, so that it outlasts a crash."""
    make_folder(path.parent)
    fresh = not path.exists()
    with path.open("ab") as handle:
        system.write(handle, data)
        handle.flush()
        system.fsync(handle.fileno())
    if fresh:
        sync_folders({path.parent})
