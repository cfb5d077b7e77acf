"""What follows from the ledger entries up to a number, and how it is written down as a checkpoint.

A checkpoint has two parts. The first lists what readers of tables need, and stays small where tables are compacted.
The second lists what every commit adds to, provenance and returns and the deposits taken, and is read only on request.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from stillwell.archive.entries import Entry, checked, self_checked
from stillwell.archive.layout import entry_path, grown_path
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import sha256
from stillwell.records import ListedFile

GROWING = ("provenance/", "returned/")
"""Folders to which every commit adds."""


@dataclass
class Grown:
    """What every commit adds to."""

    files: dict[str, ListedFile] = field(default_factory=dict)
    deposits: set[str] = field(default_factory=set)

    def add(self, entry: Entry) -> None:
        """Follow one entry."""
        for path in entry.replaced:
            self.files.pop(path, None)
        self.files.update((file.path, file) for file in entry.files if file.path.startswith(GROWING))
        self.deposits.update(str(note["deposit"]) for note in entry.deposits if "deposit" in note)

    def to_json(self) -> bytes:
        """Write it as the second part of a checkpoint."""
        return self_checked({"files": _listed(self.files), "deposits": sorted(self.deposits), "kind": "grown"})

    @classmethod
    def from_json(cls, data: bytes, where: str) -> Grown:
        """Read what ``to_json`` wrote."""
        said = checked(data, where)
        return cls(_listing(said["files"]), set(said["deposits"]))


@dataclass
class State:
    """What follows from the entries up to a number."""

    number: int = 0
    digest: str | None = ""
    """sha256 of the newest entry's bytes; None when it cannot be known."""
    head: Entry | None = None
    files: dict[str, ListedFile] = field(default_factory=dict)
    """Live files outside ``GROWING``."""
    links: set[tuple[str, str]] = field(default_factory=set)
    load: Callable[[], Grown] = Grown
    """Reads what had grown up to the checkpoint this began with."""
    since: list[Entry] = field(default_factory=list)
    _grown: Grown | None = None
    _reading: Lock = field(default_factory=Lock, repr=False, compare=False)

    def add(self, entry: Entry, data: bytes) -> None:
        """Follow one entry, which must come next."""
        where = entry_path(self.number + 1)
        if entry.number != self.number + 1:
            msg = f"{where}: expected entry {self.number + 1}, found {entry.number}; the chain is broken"
            raise ArchiveDamaged(msg)
        if self.digest is not None and entry.previous != self.digest:
            msg = (
                f"{where}: expected the sha256 of the entry before, {self.digest or 'none'}, "
                f"found {entry.previous or 'none'}; the chain is broken"
            )
            raise ArchiveDamaged(msg)
        for path in entry.replaced:
            self.files.pop(path, None)
        self.files.update((file.path, file) for file in entry.files if not file.path.startswith(GROWING))
        self.links.update(entry.links)
        if self._grown is None:
            self.since.append(entry)
        else:
            self._grown.add(entry)
        self.number, self.digest, self.head = entry.number, sha256(data), entry

    @property
    def grown(self) -> Grown:
        """What every commit adds to, read when it is first asked for."""
        with self._reading:  # NetCDF is rendered on a thread of its own
            if self._grown is None:
                grown = self.load()
                for entry in self.since:
                    grown.add(entry)
                self._grown, self.since = grown, []
            return self._grown

    def all_files(self) -> Mapping[str, ListedFile]:
        """Return every live file by path."""
        return self.files | self.grown.files

    def parts(self) -> tuple[bytes, bytes]:
        """Write it as the two parts of a checkpoint."""
        grown = self.grown.to_json()
        first = {
            "number": self.number,
            "entry_sha256": self.digest,
            "files": _listed(self.files),
            "grown_sha256": sha256(grown),
            "links": sorted(list(link) for link in self.links),
        }
        return self_checked(first), grown


def state_of(data: bytes, where: str, grown: Callable[[int], bytes], otherwise: Callable[[int], Grown]) -> State:
    """Read the first part of a checkpoint.

    Parameters
    ----------
    data : bytes
    where : str
        Path to name in an error.
    grown : callable
        Reads the second part of a checkpoint by number.
    otherwise : callable
        Finds the same from the entries, where the second part is missing or not as written.

    Raises
    ------
    ArchiveDamaged
        If it is not as it was written.
    """
    said = checked(data, where)
    try:
        files, number = _listing(said["files"]), int(said["number"])
        state = State(number, said["entry_sha256"], None, files, {(a, b) for a, b in said["links"]})
        if "deposits" in said:  # written before checkpoints had two parts
            growing = {path: file for path, file in files.items() if path.startswith(GROWING)}
            state.files = {path: file for path, file in files.items() if path not in growing}
            state.load = lambda: Grown(growing, set(said["deposits"]))
            return state
        expected = said["grown_sha256"]
    except (KeyError, TypeError, ValueError) as error:
        msg = f"{where}: expected a checkpoint, found {error!r}; it is not believed"
        raise ArchiveDamaged(msg) from error

    def load() -> Grown:
        second = grown(number)
        if sha256(second) != expected:
            return otherwise(number)
        return Grown.from_json(second, grown_path(number))

    state.load = load
    return state


def _listed(files: Mapping[str, ListedFile]) -> list[list[Any]]:
    ordered = sorted(files.values(), key=lambda file: file.path)
    return [[f.path, f.size, f.sha256, f.table, f.site, f.rows] for f in ordered]


def _listing(rows: list[list[Any]]) -> dict[str, ListedFile]:
    return {row[0]: ListedFile(*row) for row in rows}
