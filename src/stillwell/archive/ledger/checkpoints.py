"""What follows from the ledger entries up to a number, and how it is written down as a checkpoint.

A checkpoint has three parts. The first lists what readers of tables need, and stays small where tables are compacted.
The second lists what every commit adds to, provenance and returns and the deposits taken; the third holds the digests
of what derived things are made from. Both are read only on request.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import Any, Generic, Protocol, Self, TypeVar

from stillwell.archive.disk.layout import entry_path, part_path
from stillwell.archive.ledger.entries import Entry, checked, self_checked
from stillwell.archive.ledger.input_digests import Inputs
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import sha256
from stillwell.shared_types import ListedFile

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

    def copied(self) -> Self:
        """Return one of its own, that follows other entries from here on."""
        return type(self)(dict(self.files), set(self.deposits))

    def to_json(self) -> bytes:
        """Write it as the second part of a checkpoint."""
        return self_checked({"files": _listed(self.files), "deposits": sorted(self.deposits), "kind": "grown"})

    @classmethod
    def from_json(cls, data: bytes, where: str) -> Grown:
        """Read what ``to_json`` wrote."""
        fields = checked(data, where)
        return cls(_listing(fields["files"]), set(fields["deposits"]))


class Follows(Protocol):
    """A part of what follows from the entries."""

    def add(self, entry: Entry) -> None:
        """Follow one entry."""
        ...

    def copied(self) -> Self:
        """Return one of its own, that follows other entries from here on."""
        ...

    def to_json(self) -> bytes:
        """Write it as a part of a checkpoint."""
        ...


P = TypeVar("P", bound=Follows)


class Part(Generic[P]):
    """A part of the state that is read when it is first asked for, and then brought up to the newest entry.

    Parameters
    ----------
    load : callable
        Reads the part as it was at the checkpoint the state began with.
    """

    def __init__(self, load: Callable[[], P]) -> None:
        self._load = load
        self._since: list[Entry] = []
        self._value: P | None = None
        self._reading = Lock()

    def add(self, entry: Entry) -> None:
        """Follow one entry, now or once the part is read."""
        if self._value is None:
            self._since.append(entry)
        else:
            self._value.add(entry)

    def get(self) -> P:
        """Return the part; concurrent callers wait until it is read."""
        with self._reading:
            if self._value is None:
                value = self._load()
                for entry in self._since:
                    value.add(entry)
                self._value, self._since = value, []
            return self._value

    def copied(self) -> Part[P]:
        """Return a part of its own that follows other entries from here on."""
        with self._reading:
            copy: Part[P] = Part(self._load)
            copy._since, copy._value = list(self._since), None if self._value is None else self._value.copied()
            return copy


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
    grown_part: Part[Grown] = field(default_factory=lambda: Part(Grown))
    inputs_part: Part[Inputs] = field(default_factory=lambda: Part(Inputs))
    part_digests: dict[str, str] = field(default_factory=dict)
    """sha256 of the parts beside the first, by name, as the checkpoint this began with states them."""

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
        self.grown_part.add(entry)
        self.inputs_part.add(entry)
        self.number, self.digest, self.head = entry.number, sha256(data), entry

    def copied(self) -> State:
        """Return a state of its own that follows other entries from here on."""
        grown, inputs = self.grown_part.copied(), self.inputs_part.copied()
        return replace(self, files=dict(self.files), links=set(self.links), grown_part=grown, inputs_part=inputs)

    @property
    def grown(self) -> Grown:
        """What every commit adds to."""
        return self.grown_part.get()

    @property
    def inputs(self) -> Inputs:
        """What derived things are made from."""
        return self.inputs_part.get()

    def all_files(self) -> Mapping[str, ListedFile]:
        """Return every live file by path."""
        return self.files | self.grown.files

    def parts(self) -> dict[str, bytes]:
        """Write it as the parts of a checkpoint by name; the first part, under no name, holds digests of the others."""
        parts = {"grown": self.grown.to_json(), "inputs": self.inputs.to_json()}
        first = {
            "number": self.number,
            "entry_sha256": self.digest,
            "files": _listed(self.files),
            "links": sorted(list(link) for link in self.links),
        }
        return {"": self_checked(first | {f"{name}_sha256": sha256(data) for name, data in parts.items()})} | parts


READ: dict[str, Callable[[bytes, str], Any]] = {"grown": Grown.from_json, "inputs": Inputs.from_json}
"""How each part beside the first is read."""


def state_of(data: bytes, where: str, part: Callable[[int, str], bytes], otherwise: Callable[[int], State]) -> State:
    """Read the first part of a checkpoint.

    Parameters
    ----------
    data : bytes
    where : str
        Path to name in an error.
    part : callable
        Reads another part of a checkpoint, by number and name.
    otherwise : callable
        Follows the entries up to a number, where another part is missing or not as written.

    Raises
    ------
    ArchiveDamaged
        If it is not as it was written.
    """
    fields = checked(data, where)
    try:
        files, number = _listing(fields["files"]), int(fields["number"])
        state = State(number, fields["entry_sha256"], None, files, {(a, b) for a, b in fields["links"]})
        if "deposits" not in fields and "grown_sha256" not in fields:
            msg = "grown_sha256"
            raise KeyError(msg)
    except (KeyError, TypeError, ValueError) as error:
        msg = f"{where}: expected a checkpoint, found {error!r}; it is not believed"
        raise ArchiveDamaged(msg) from error

    def read(name: str) -> Any:
        data_of_part = part(number, name)
        # a checkpoint of an earlier version lacks parts, which the entries still give
        if sha256(data_of_part) == state.part_digests.get(name):
            return READ[name](data_of_part, part_path(number, name))
        return getattr(otherwise(number), name)

    state.part_digests = {name: fields[f"{name}_sha256"] for name in READ if f"{name}_sha256" in fields}
    state.grown_part, state.inputs_part = Part(lambda: read("grown")), Part(lambda: read("inputs"))
    if "deposits" in fields:  # written before checkpoints had parts
        growing = {path: file for path, file in files.items() if path.startswith(GROWING)}
        state.files = {path: file for path, file in files.items() if path not in growing}
        state.grown_part = Part(lambda: Grown(growing, set(fields["deposits"])))
    return state


def parts_unlike(stored: State, part: Callable[[str], bytes], state: State) -> list[str]:
    """Name the parts of a checkpoint that do not say what the entries say, whatever version wrote them.

    Parameters
    ----------
    stored : State
        Read from the first part, under no name.
    part : callable
        Reads another part by name.
    state : State
        What follows from the entries up to the same number.
    """
    first = (stored.number, stored.digest, stored.files, stored.links)
    unlike = [] if first == (state.number, state.digest, state.files, state.links) else [""]
    for name, expected in stored.part_digests.items():
        data = part(name)
        if sha256(data) != expected or READ[name](data, name) != getattr(state, name):
            unlike.append(name)
    return unlike


def _listed(files: Mapping[str, ListedFile]) -> list[list[Any]]:
    ordered = sorted(files.values(), key=lambda file: file.path)
    return [[f.path, f.size, f.sha256, f.table, list(f.sites), f.rows, list(f.years)] for f in ordered]


def _listing(rows: list[list[Any]]) -> dict[str, ListedFile]:
    return {row[0]: _file(*row) for row in rows}


def _file(
    path: str, size: int, digest: str, table: str, sites: str | list[str], rows: int, years: Sequence[int] = ()
) -> ListedFile:
    """Read how a file is listed; before format 2.0 a checkpoint named the one site of a file."""
    named = ((sites,) if sites else ()) if isinstance(sites, str) else tuple(sites)
    return ListedFile(path, size, digest, table, named, rows, tuple(years))
