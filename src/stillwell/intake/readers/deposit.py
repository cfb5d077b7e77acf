"""Deposits as they lie on disk: read whole, named by the digest of their bytes."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from stillwell.errors import DepositError
from stillwell.fingerprint import folder_digest, sha256
from stillwell.intake.limits import DEEPEST, LONGEST_PATH, MIB, MOST_BYTES, MOST_FILES
from stillwell.intake.problem_collector import shown
from stillwell.intake.readers.file_names import name_fault
from stillwell.shared_types import Deposit, DepositFile

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
    fault = name_fault(path.name)
    if fault:
        msg = f"{shown(path.name)}: expected a name that can be read and printed, found {fault}; nothing was read"
        raise DepositError(msg)
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
    for path in sorted(_walk(root)):
        file = _file(path, path.relative_to(root).as_posix(), total)
        total += len(file.data)
        yield file


def _walk(root: Path) -> list[Path]:
    """Go through a folder without ever following a link out of it, and no further than a deposit may reach."""
    files: list[Path] = []
    folders = [(root, 1)]
    while folders:
        folder, depth = folders.pop()
        for path in folder.iterdir():
            if path.is_symlink():
                raise _refusal(path, root, "a file", "a symbolic link")
            if path.is_dir():
                if depth >= DEEPEST:
                    raise _refusal(path, root, f"at most {DEEPEST} folders inside each other", "more")
                folders.append((path, depth + 1))
            elif path.is_file():
                files.append(_named(path, root))
            else:
                raise _refusal(path, root, "a file", "a device or pipe")
            if len(files) + len(folders) > MOST_FILES:
                raise _refusal(root, root, f"at most {MOST_FILES} files", "more")
    return files


def _named(path: Path, root: Path) -> Path:
    """Refuse a path that cannot be sealed: half characters, or longer than the archive has room for."""
    inside = path.relative_to(root).as_posix().encode("utf-8", "surrogateescape")
    try:
        inside.decode("utf-8")
    except UnicodeDecodeError as error:
        raise _refusal(path, root, "names in UTF-8", f"the byte 0x{inside[error.start]:02X} in one") from error
    if len(inside) > LONGEST_PATH:
        raise _refusal(path, root, f"a path of at most {LONGEST_PATH} bytes", str(len(inside)))
    return path


def _refusal(path: Path, root: Path, expected: str, actual: str) -> DepositError:
    where = shown(str(path.relative_to(root.parent)))
    return DepositError(f"{where}: expected {expected}, found {actual}; nothing was taken")


def _file(path: Path, name: str, before: int) -> DepositFile:
    size = path.stat().st_size
    if before + size > MOST_BYTES:
        expected = f"a deposit of at most {MOST_BYTES // MIB} MiB"
        raise DepositError(f"{shown(name)}: expected {expected}, found more; nothing was taken")
    with path.open("rb") as stream:
        data = stream.read(size + 1)
    if len(data) > size:
        raise DepositError(f"{shown(name)}: expected a file at rest, found it growing; nothing was taken")
    return DepositFile(name, data)


def table_file(table: str, rows: Sequence[Mapping[str, str]]) -> DepositFile:
    """Write rows of a deposit table as its CSV file; the first row names the columns."""
    out = io.StringIO()
    lines = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    lines.writeheader()
    lines.writerows(rows)
    return DepositFile(f"{table}.csv", out.getvalue().encode("utf-8"))
