"""Deposits as they lie on disk: read whole, named by the digest of their bytes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from stillwell.errors import DepositError
from stillwell.fingerprint import folder_digest, sha256
from stillwell.records import Deposit, DepositFile

MOST_BYTES = 512 * 2**20
MOST_FILES = 2000
KINDS = {".zip": "zip", ".xlsx": "workbook", ".csv": "csv", ".toml": "toml"}
"""Kinds of a deposit that is one file, by the ending of its name."""


def find_deposits(inbox: Path) -> list[Path]:
    """List the deposits of an inbox by name: folders, zips, workbooks and CSV files; hidden ones are passed over.

    Parameters
    ----------
    inbox : Path

    Returns
    -------
    list of Path

    Raises
    ------
    DepositError
        If the inbox is not a folder that can be read.
    """
    if not inbox.is_dir():
        msg = f"expected a folder of deposits at {inbox}, found none; nothing was read"
        raise DepositError(msg)
    return sorted(path for path in inbox.iterdir() if not _hidden(path) and _kind(path) is not None)


def read_deposit(path: Path) -> Deposit:
    """Read a deposit byte for byte.

    Parameters
    ----------
    path : Path
        A folder, or a file of a kind in ``KINDS``.

    Returns
    -------
    Deposit

    Raises
    ------
    DepositError
        If it cannot be read, holds a symbolic link, or is too large.
    """
    kind = _kind(path)
    if kind is None:
        msg = f"expected a folder, .zip, .xlsx, .csv or .toml at {path}, found something else; nothing was read"
        raise DepositError(msg)
    try:
        files = tuple(_folder(path)) if kind == "folder" else (_file(path, path.name, 0),)
    except OSError as error:
        msg = f"expected a deposit that can be read at {path}, found: {error.strerror}; nothing was taken"
        raise DepositError(msg) from error
    digest = folder_digest((f.path, f.data) for f in files) if kind == "folder" else sha256(files[0].data)
    return Deposit(path.name, kind, digest, files)


def _kind(path: Path) -> str | None:
    if path.is_symlink():
        return None
    if path.is_dir():
        return "folder"
    return KINDS.get(path.suffix.lower()) if path.is_file() else None


def _hidden(path: Path) -> bool:
    return path.name.startswith((".", "~$"))


def _folder(root: Path) -> Iterator[DepositFile]:
    total = 0
    for number, path in enumerate(sorted(_walk(root, root)), 1):
        if number > MOST_FILES:
            msg = f"{root}: expected at most {MOST_FILES} files, found more; nothing was taken"
            raise DepositError(msg)
        file = _file(path, path.relative_to(root).as_posix(), total)
        total += len(file.data)
        yield file


def _walk(folder: Path, root: Path) -> Iterator[Path]:
    """Go through a folder without ever following a link out of it."""
    for path in folder.iterdir():
        if path.is_symlink():
            msg = f"{path.relative_to(root.parent)}: expected a file, found a symbolic link; nothing was taken"
            raise DepositError(msg)
        if path.is_dir():
            yield from _walk(path, root)
        elif path.is_file():
            yield path
        else:
            msg = f"{path.relative_to(root.parent)}: expected a file, found a device or pipe; nothing was taken"
            raise DepositError(msg)


def _file(path: Path, name: str, before: int) -> DepositFile:
    size = path.stat().st_size
    if before + size > MOST_BYTES:
        msg = f"{path.name}: expected a deposit of at most {MOST_BYTES // 2**20} MiB, found more; nothing was taken"
        raise DepositError(msg)
    return DepositFile(name, path.read_bytes())
