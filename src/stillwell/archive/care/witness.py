"""Witness lines: what the newest entry of an archive was at a moment, kept elsewhere and held against its chain.

A line reads ``TIME archive FIRST commit NUMBER entry SHA256 check CHECK``: the moment it was made, the sha256 of the
archive's first entry, the number and the sha256 of its newest one, and the first eight digits of the sha256 of the
text before ``check``. Lines of several nights may follow one another; empty lines and those that begin with # count
for nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import entry_path
from stillwell.archive.disk.nested_paths import lies_within
from stillwell.archive.ledger.entries import utc_text
from stillwell.errors import ArchiveError
from stillwell.fingerprint import sha256
from stillwell.shared_types import Fault

_LINE = re.compile(
    r"(?P<text>(?P<at>\S+) archive (?P<first>[0-9a-f]{64}) commit (?P<number>[1-9]\d*) entry (?P<entry>[0-9a-f]{64}))"
    r" check (?P<check>[0-9a-f]{8})"
)


@dataclass(frozen=True)
class Witnessed:
    """One line: at a moment, an archive known by its first entry ended with an entry of a number and a digest."""

    made_at: datetime
    first: str
    number: int
    sha256: str
    where: str = ""
    """File and line it was read from."""

    def to_text(self) -> str:
        """Write the line, without its end."""
        text = f"{utc_text(self.made_at)} archive {self.first} commit {self.number} entry {self.sha256}"
        return f"{text} check {sha256(text.encode())[:8]}"


def witness(archive: Archive, now: datetime) -> Witnessed:
    """Say what the newest entry of an archive is.

    Parameters
    ----------
    archive : Archive
    now : datetime

    Raises
    ------
    ArchiveDamaged
        If its ledger does not hold together.
    """
    digests = archive.ledger.digests()
    return Witnessed(now, digests[0], len(digests), digests[-1])


def read_witness(path: Path) -> tuple[list[Witnessed], list[str]]:
    """Read a file of witness lines.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of Witnessed
    list of str
        A sentence for each line that is none, with its file and number.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    lines: list[Witnessed] = []
    unreadable: list[str] = []
    for number, text in enumerate(path.read_bytes().decode("utf-8", errors="replace").splitlines(), 1):
        if text.strip() and not text.startswith("#"):
            where = f"{path}:{number}"
            line = _line(text.strip(), where)
            if line is None:
                unreadable.append(
                    f"{where}: expected a witness line with its check, found {text[:80]!r}; it is not used"
                )
            else:
                lines.append(line)
    return lines, unreadable


def _line(text: str, where: str) -> Witnessed | None:
    match = _LINE.fullmatch(text)
    if match is None or sha256(match["text"].encode())[:8] != match["check"]:
        return None
    try:
        return Witnessed(
            datetime.fromisoformat(match["at"]), match["first"], int(match["number"]), match["entry"], where
        )
    except ValueError:
        return None


def append_witness(root: Path, files: Sequence[Path], line: Witnessed) -> None:
    """Add a line to the end of files kept elsewhere; one that does not exist is begun.

    Parameters
    ----------
    root : Path
        The archive's folder.
    files : sequence of Path
    line : Witnessed

    Raises
    ------
    ArchiveError
        If a file lies in the archive, where whoever puts the archive back puts the witness back too.
    OSError
        If one cannot be written.
    """
    for path in files:
        if lies_within(path, root):
            msg = f"expected a file outside the archive {root}, found {path}; nothing was written"
            raise ArchiveError(msg)
    for path in files:
        before = path.read_bytes() if path.exists() else b""
        begin = "\n" if before and not before.endswith(b"\n") else ""  # a line cut short keeps to itself
        fs.append_file(path, f"{begin}{line.to_text()}\n".encode())


def keep_witness(root: Path, files: Sequence[Path], now: datetime) -> None:
    """Add a line on the archive as it is now to files kept elsewhere; see ``append_witness``."""
    append_witness(root, files, witness(Archive(root), now))


def witness_faults(digests: Sequence[str], lines: Sequence[Witnessed]) -> Iterator[Fault]:
    """Hold a chain against what was witnessed of it.

    Parameters
    ----------
    digests : sequence of str
        The sha256 of each entry, the first one first.
    lines : sequence of Witnessed

    Yields
    ------
    Fault
        Of kind ``witness``, one for each entry that is not as it was witnessed.
    """
    seen: set[tuple[str, int, str]] = set()
    for line in lines:
        key = (line.first, line.number, line.sha256)
        sentence = _contradiction(digests, line)
        if sentence and key not in seen:
            seen.add(key)
            yield Fault("witness", entry_path(line.number), sentence, {"witness": line.where})


def _contradiction(digests: Sequence[str], line: Witnessed) -> str:
    seen = f"witnessed at {utc_text(line.made_at)[:19]}Z ({line.where})"
    if line.first != digests[0]:
        actual = f"found {digests[0]}: another archive, or one whose ledger was written anew from the start"
        return f"expected an archive whose first entry has the sha256 {line.first}, as {seen}; {actual}"
    if line.number > len(digests):
        actual = f"found a ledger that ends with commit {len(digests)}: the archive was put back to an older state"
        return f"expected commit {line.number}, as {seen}; {actual}"
    if line.sha256 != digests[line.number - 1]:
        actual = f"found {digests[line.number - 1]}: entries were rewritten, or put back and others added"
        return f"expected an entry with the sha256 {line.sha256}, as {seen}; {actual}"
    return ""
