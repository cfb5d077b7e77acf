"""The hash-chained ledger: what was committed, in which order, and which files are live.

Facts are the numbered entries; checkpoints are derived from them, checked before they are believed, and may
be missing.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import (
    CHECKPOINT_EVERY,
    CHECKPOINTS,
    LEDGER,
    PARTS,
    checkpoint_path,
    entry_number,
    entry_path,
    part_path,
)
from stillwell.archive.disk.regular_files import read_regular
from stillwell.archive.ledger.checkpoints import State, parts_unlike, state_of
from stillwell.archive.ledger.entries import Entry, Move
from stillwell.archive.ledger.input_digests import Inputs
from stillwell.archive.ledger.moved_gaugings import linked_sites
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import sha256
from stillwell.shared_types import Fault, ListedFile

__all__ = ["Entry", "Ledger", "Move"]


BEYOND = 16
"""Numbers beyond the newest entry found that are looked for, to notice a missing one."""


class Ledger:
    """The ledger of an archive, as it stood when it was first looked at.

    Parameters
    ----------
    root : Path
        The archive's folder.
    thorough : bool
        Look at the name of every entry, as a writer must; a reader finds the newest by halving.
    number : int, optional
        See the ledger as it stood after this entry, whatever was committed since.
    earlier : Ledger, optional
        Of the same folder, read a moment ago: only what it lacks is read where its newest entry is still what it was,
        whose digest says that all before it are.
    """

    def __init__(
        self, root: Path, *, thorough: bool = False, number: int | None = None, earlier: Ledger | None = None
    ) -> None:
        self._root = root
        self._thorough = thorough
        self._earlier = earlier
        self._head = number
        self._state: State | None = None

    def head_number(self) -> int:
        """Return the number of the newest entry, 0 when there is none.

        Raises
        ------
        ArchiveDamaged
            If a number before it is missing.
        """
        if self._head is None:
            quick = None if self._thorough else self._quick_head()
            self._head = self._thorough_head() if quick is None else quick
        return self._head

    def _thorough_head(self) -> int:
        numbers = self.numbers()
        head = max([*numbers, *self._checkpoint_numbers()], default=0)
        if len(numbers) != head:
            missing = min(set(range(1, head + 1)) - numbers)
            msg = f"expected every entry up to {head}, found no {entry_path(missing)}; damaged"
            raise ArchiveDamaged(msg)
        return head

    def _quick_head(self) -> int | None:
        """Find the newest entry by halving; None where something is missing, which a look at all will name."""
        if not self._has(1):
            return None
        low, high = 1, 2
        while self._has(high):
            low, high = high, 2 * high
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self._has(middle) else (low, middle)
        beyond = range(low + 2, low + BEYOND)
        due = low + CHECKPOINT_EVERY - low % CHECKPOINT_EVERY
        if any(self._has(number) for number in beyond) or (self._root / checkpoint_path(due)).exists():
            # a commit made while looking leaves no hole
            return None
        return low

    def _has(self, number: int) -> bool:
        return os.path.exists(f"{self._root}/{entry_path(number)}")  # noqa: PTH110, a Path costs more than the look

    def numbers(self) -> set[int]:
        """Return the numbers there is an entry's file for, whatever is missing between them."""
        return set(_numbers_in(self._root / LEDGER))

    def digests(self) -> list[str]:
        """Return the sha256 of every entry's bytes, the first one first, holding each entry against the one before."""
        entries = self.entries()
        return [*(entry.previous for entry in entries[1:]), self.head_digest()] if entries else []

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
        state = State()
        return [self._follow(state, number) for number in range(1, self.head_number() + 1)]

    def live(self) -> Mapping[str, ListedFile]:
        """Return the live files by path: newest checkpoint plus the entries after it."""
        return self._current().all_files()

    def live_tables(self) -> Mapping[str, ListedFile]:
        """Return the live files that do not grow with every commit: tables, NetCDF, schemas, README."""
        return self._current().files

    def listed(self, path: str) -> ListedFile | None:
        """Return how a live file is listed, None where it is not."""
        state = self._current()
        return state.files.get(path) or state.grown.files.get(path)

    def deposit_digests(self) -> frozenset[str]:
        """Return the digests of all deposits ever taken."""
        return frozenset(self._current().grown.deposits)

    def has_deposit(self, digest: str) -> bool:
        """Return whether a deposit was ever taken."""
        return digest in self._current().grown.deposits

    def linked_sites(self, sites: Iterable[str]) -> set[str]:
        """Add to some sites those that share a gauging with them, because a correction moved it."""
        return linked_sites(sites, self._current().links)

    def links(self) -> list[tuple[str, str]]:
        """Pair the sites that share a gauging."""
        return sorted(self._current().links)

    def inputs(self) -> Inputs:
        """Return the digests of what derived things are made from."""
        return self._current().inputs

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

    def checkpoint_parts(self) -> set[str]:
        """Name the parts, beside the first, of the checkpoints that are due."""
        due = range(CHECKPOINT_EVERY, self.head_number() + 1, CHECKPOINT_EVERY)
        return {part_path(number, part) for number in due for part in PARTS}

    def checkpoints_due(self) -> set[str]:
        """Name the first parts of the checkpoints that are due."""
        return {checkpoint_path(n) for n in range(CHECKPOINT_EVERY, self.head_number() + 1, CHECKPOINT_EVERY)}

    def no_checkpoints(self) -> list[str]:
        """Name the files that lie where the first part of a checkpoint would, and are none of their number.

        One beyond the newest entry that is as it was written is not among them: it tells of entries that are missing.
        """
        return [checkpoint_path(number) for number in sorted(self._checkpoint_numbers()) if not self._is_one(number)]

    def _is_one(self, number: int) -> bool:
        try:
            return number % CHECKPOINT_EVERY == 0 and self._checkpoint(number).number == number
        except (ArchiveDamaged, OSError):
            return False

    def write_checkpoint(self) -> None:
        """Write the checkpoint after the newest entry if one is due and missing."""
        number = self.head_number()
        path = self._root / checkpoint_path(number)
        if number and number % CHECKPOINT_EVERY == 0 and not path.exists():
            parts = self._current().parts()
            first = parts.pop("")
            # the first part names the others by their digests, so it may only be there with them
            fs.write_files([(self._root / part_path(number, name), data) for name, data in sorted(parts.items())])
            fs.write_file(path, first)

    def chain_faults(self) -> list[Fault]:
        """Hold every entry against those before, with what it was made from, and the newest checkpoint against all."""
        numbers = self.numbers()
        checkpoints = self._checkpoint_numbers()
        newest = max(checkpoints, default=0)
        head = max(numbers | checkpoints, default=0)
        faults, state, whole, inputs = [], State(), True, Inputs()
        for number in range(1, head + 1):
            if number not in numbers:
                sentence = f"expected every entry from 1 to {head}, found none with number {number}"
                faults.append(Fault("ledger", entry_path(number), sentence))
                state, whole = State(number=number, digest=None), False
                continue
            try:
                entry = self._follow(state, number)
                # after a damaged entry nobody knows what stood before the next
                unlike = inputs.unlike(entry) if whole else []
                faults += [Fault("ledger", entry_path(number), sentence) for sentence in unlike]
                inputs.add(entry)
            except ArchiveDamaged as error:
                faults.append(_fault(number, error))
                state, whole = State(number=number, digest=None), False
            if number in checkpoints:
                faults += self._checkpoint_faults(number, state if whole and number == newest else None)
        return faults

    def _current(self) -> State:
        if self._state is None:
            head = self.head_number()
            state = self._read_before(head) or self._newest_checkpoint(head) or State()
            for number in range(state.number + 1, head + 1):
                self._follow(state, number)
            self._state = state
        return self._state

    def _read_before(self, head: int) -> State | None:
        """Take over what an earlier look at the same ledger read; None where it does not hold any more."""
        state = self._earlier._state if self._earlier is not None else None
        self._earlier = None
        if state is None or not 0 < state.number <= head or state.digest != sha256(self._bytes(state.number)):
            return None
        return state.copied()

    def _follow(self, state: State, number: int) -> Entry:
        data = self._bytes(number)
        entry = Entry.from_json(data, entry_path(number))
        state.add(entry, data)
        return entry

    def _bytes(self, number: int) -> bytes:
        try:
            return read_regular(self._root / entry_path(number))
        except FileNotFoundError as error:
            msg = f"expected {entry_path(number)}, found nothing; the ledger is damaged"
            raise ArchiveDamaged(msg) from error
        except OSError as error:
            msg = f"{entry_path(number)}: expected a ledger entry, found: {error.strerror}; the ledger is damaged"
            raise ArchiveDamaged(msg) from error

    def _checkpoint_numbers(self) -> set[int]:
        return set(_numbers_in(self._root / CHECKPOINTS))

    def _newest_checkpoint(self, head: int) -> State | None:
        """Find the newest checkpoint that is whole and speaks of the entry it names."""
        for number in self._checkpoints_down_from(head):
            try:
                state = self._checkpoint(number)
            except (ArchiveDamaged, OSError):
                continue
            if state.number == number and state.digest == sha256(self._bytes(number)):
                return state
        return None

    def _checkpoints_down_from(self, head: int) -> Iterator[int]:
        """Name the checkpoint due last, and only if that will not do look for all that are there."""
        due = head - head % CHECKPOINT_EVERY
        if due:
            yield due
        yield from sorted((n for n in self._checkpoint_numbers() if n <= head and n != due), reverse=True)

    def _checkpoint(self, number: int) -> State:
        where = checkpoint_path(number)
        return state_of(read_regular(self._root / where), where, self._part_bytes, self._from_entries)

    def _part_bytes(self, number: int, part: str) -> bytes:
        try:
            return read_regular(self._root / part_path(number, part))
        except OSError:
            return b""

    def _from_entries(self, number: int) -> State:
        state = State()
        for earlier in range(1, number + 1):
            self._follow(state, earlier)
        return state

    def _checkpoint_faults(self, number: int, state: State | None) -> Iterator[Fault]:
        path = checkpoint_path(number)
        try:
            stored = self._checkpoint(number)
        except ArchiveDamaged as error:
            yield Fault("ledger", path, str(error).removeprefix(f"{path}: "))
            return
        except OSError as error:
            yield Fault("ledger", path, f"expected a checkpoint, found: {error.strerror}")
            return
        sentence = "expected what the entries say, found something else; readers may be misled"
        if (stored.number, stored.digest) != (number, sha256(self._bytes(number))):
            yield Fault("ledger", path, sentence)
        elif state is not None:
            for name in parts_unlike(stored, lambda name: self._part_bytes(number, name), state):
                yield Fault("ledger", part_path(number, name), sentence)


def _fault(number: int, error: ArchiveDamaged) -> Fault:
    path = entry_path(number)
    return Fault("ledger", path, str(error).removeprefix(f"{path}: "))


def _numbers_in(folder: Path) -> Iterator[int]:
    if not folder.is_dir():
        return
    with os.scandir(folder) as files:
        numbers = [entry_number(file.name) for file in files]
    yield from (number for number in numbers if number is not None)
