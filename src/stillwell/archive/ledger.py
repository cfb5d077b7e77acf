"""The hash-chained ledger: what was committed, in which order, and which files are live.

Facts are the numbered entries; checkpoints are derived from them, checked before they are believed, and may
be missing.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stillwell.archive import fs
from stillwell.archive.entries import Entry, Move, checked, self_checked
from stillwell.archive.layout import (
    CHECKPOINT_EVERY,
    CHECKPOINTS,
    LEDGER,
    checkpoint_path,
    entry_number,
    entry_path,
)
from stillwell.archive.links import linked_sites
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import sha256
from stillwell.records import Fault, ListedFile

__all__ = ["Entry", "Ledger", "Move"]


@dataclass
class _State:
    """What follows from the entries up to a number."""

    number: int = 0
    digest: str | None = ""
    """sha256 of the newest entry's bytes; None when it cannot be known."""
    head: Entry | None = None
    files: dict[str, ListedFile] = field(default_factory=dict)
    deposits: set[str] = field(default_factory=set)
    links: set[tuple[str, str]] = field(default_factory=set)

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
        self.files.update((file.path, file) for file in entry.files)
        self.deposits.update(str(note["deposit"]) for note in entry.deposits if "deposit" in note)
        self.links.update(entry.links)
        self.number, self.digest, self.head = entry.number, sha256(data), entry

    def to_json(self) -> bytes:
        """Write it as a checkpoint."""
        files = sorted(self.files.values(), key=lambda file: file.path)
        return self_checked(
            {
                "number": self.number,
                "entry_sha256": self.digest,
                "files": [[f.path, f.size, f.sha256, f.table, f.site, f.rows] for f in files],
                "deposits": sorted(self.deposits),
                "links": sorted(list(link) for link in self.links),
            }
        )

    @classmethod
    def from_fields(cls, said: dict[str, Any]) -> _State:
        """Read what ``to_json`` wrote."""
        files = (ListedFile(*row) for row in said["files"])
        links = {(first, second) for first, second in said["links"]}
        listing = {file.path: file for file in files}
        return cls(said["number"], said["entry_sha256"], None, listing, set(said["deposits"]), links)


class Ledger:
    """The ledger of an archive, as it stood when it was first looked at.

    Parameters
    ----------
    root : Path
        The archive's folder.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._head: int | None = None
        self._state: _State | None = None

    def head_number(self) -> int:
        """Return the number of the newest entry, 0 when there is none.

        Raises
        ------
        ArchiveDamaged
            If a number before it is missing.
        """
        if self._head is None:
            numbers = self._numbers()
            head = max([*numbers, *self._checkpoint_numbers()], default=0)
            if len(numbers) != head:
                missing = min(set(range(1, head + 1)) - numbers)
                msg = f"expected every entry up to {head}, found no {entry_path(missing)}; damaged"
                raise ArchiveDamaged(msg)
            self._head = head
        return self._head

    def newest_number(self) -> int:
        """Return the largest number an entry has, whatever is missing before it."""
        return max(self._numbers(), default=0)

    @staticmethod
    def previous_of(data: bytes, where: str) -> str | None:
        """Read what an entry says of the one before it; None where the bytes are no whole entry."""
        try:
            return Entry.from_json(data, where).previous
        except ArchiveDamaged:
            return None

    def entry(self, number: int) -> Entry:
        """Read one entry.

        Raises
        ------
        ArchiveDamaged
            If it is missing or not as it was written.
        """
        return Entry.from_json(self._bytes(number), entry_path(number))

    def head(self) -> Entry | None:
        """Return the newest entry, or None."""
        number = self.head_number()
        if self._state is not None and self._state.head is not None:
            return self._state.head
        return self.entry(number) if number else None

    def entries(self) -> list[Entry]:
        """Read every entry, in order, holding each against the one before."""
        state = _State()
        return [self._follow(state, number) for number in range(1, self.head_number() + 1)]

    def live(self) -> Mapping[str, ListedFile]:
        """Return the live files by path: newest checkpoint plus the entries after it."""
        return self._current().files

    def deposit_digests(self) -> frozenset[str]:
        """Return the digests of all deposits ever taken."""
        return frozenset(self._current().deposits)

    def has_deposit(self, digest: str) -> bool:
        """Return whether a deposit was ever taken."""
        return digest in self._current().deposits

    def linked_sites(self, sites: Iterable[str]) -> set[str]:
        """Add to some sites those that share a gauging with them, because a correction moved it."""
        return linked_sites(sites, self._current().links)

    def head_digest(self) -> str:
        """Return the sha256 of the newest entry's bytes, empty when there is none."""
        return self._current().digest or ""

    def append(self, entry: Entry) -> None:
        """Write the next entry, exclusively: the commit point.

        Raises
        ------
        FileExistsError
            If an entry of that number is already there.
        ArchiveDamaged
            If it does not follow the newest one.
        """
        data = entry.to_json()
        state = self._current()
        if entry.number != state.number + 1 or entry.previous != state.digest:
            msg = f"expected an entry after number {state.number}, found {entry.number}; nothing was written"
            raise ArchiveDamaged(msg)
        fs.create_exclusive(self._root / entry_path(entry.number), data)
        state.add(entry, data)
        self._head = entry.number

    def write_checkpoint(self) -> None:
        """Write the checkpoint after the newest entry if one is due and missing."""
        number = self.head_number()
        path = self._root / checkpoint_path(number)
        if number and number % CHECKPOINT_EVERY == 0 and not path.exists():
            fs.write_file(path, self._current().to_json())

    def chain_faults(self) -> list[Fault]:
        """Hold every entry against the one before, and the newest checkpoint against all entries."""
        numbers = self._numbers()
        checkpoints = self._checkpoint_numbers()
        newest = max(checkpoints, default=0)
        head = max(numbers | checkpoints, default=0)
        faults, state, whole = [], _State(), True
        for number in range(1, head + 1):
            if number not in numbers:
                sentence = f"expected every entry from 1 to {head}, found none with number {number}"
                faults.append(Fault("ledger", entry_path(number), sentence))
                state, whole = _State(number=number, digest=None), False
                continue
            try:
                self._follow(state, number)
            except ArchiveDamaged as error:
                faults.append(_fault(number, error))
                state, whole = _State(number=number, digest=None), False
            if number in checkpoints:
                faults += self._checkpoint_faults(number, state if whole and number == newest else None)
        return faults

    def _current(self) -> _State:
        if self._state is None:
            head = self.head_number()
            state = self._newest_checkpoint(head) or _State()
            for number in range(state.number + 1, head + 1):
                self._follow(state, number)
            self._state = state
        return self._state

    def _follow(self, state: _State, number: int) -> Entry:
        data = self._bytes(number)
        entry = Entry.from_json(data, entry_path(number))
        state.add(entry, data)
        return entry

    def _bytes(self, number: int) -> bytes:
        try:
            return (self._root / entry_path(number)).read_bytes()
        except FileNotFoundError as error:
            msg = f"expected {entry_path(number)}, found nothing; the ledger is damaged"
            raise ArchiveDamaged(msg) from error

    def _numbers(self) -> set[int]:
        return set(_numbers_in(self._root / LEDGER))

    def _checkpoint_numbers(self) -> set[int]:
        return set(_numbers_in(self._root / CHECKPOINTS))

    def _newest_checkpoint(self, head: int) -> _State | None:
        """Find the newest checkpoint that is whole and speaks of the entry it names."""
        for number in sorted((n for n in self._checkpoint_numbers() if n <= head), reverse=True):
            try:
                state = self._checkpoint(number)
            except ArchiveDamaged:
                continue
            if state.number == number and state.digest == sha256(self._bytes(number)):
                return state
        return None

    def _checkpoint(self, number: int) -> _State:
        where = checkpoint_path(number)
        try:
            return _State.from_fields(checked((self._root / where).read_bytes(), where))
        except (KeyError, TypeError, ValueError) as error:
            msg = f"{where}: expected a checkpoint, found {error!r}; it is not believed"
            raise ArchiveDamaged(msg) from error

    def _checkpoint_faults(self, number: int, state: _State | None) -> Iterator[Fault]:
        path = checkpoint_path(number)
        try:
            found = self._checkpoint(number)
        except ArchiveDamaged as error:
            yield Fault("ledger", path, str(error).removeprefix(f"{path}: "))
            return
        said = (found.number, found.digest)
        if said != (number, sha256(self._bytes(number))) or (state and found.to_json() != state.to_json()):
            sentence = "expected what the entries say, found something else; readers may be misled"
            yield Fault("ledger", path, sentence)


def _fault(number: int, error: ArchiveDamaged) -> Fault:
    path = entry_path(number)
    return Fault("ledger", path, str(error).removeprefix(f"{path}: "))


def _numbers_in(folder: Path) -> Iterator[int]:
    if not folder.is_dir():
        return
    with os.scandir(folder) as found:
        numbers = [entry_number(file.name) for file in found]
    yield from (number for number in numbers if number is not None)
