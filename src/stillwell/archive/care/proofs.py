"""Proofs of commits that are kept in the work folder; no facts, and losing them only means proving again.

A proof names its commit by number and digest, the software, and the table files that hold the commit's rows now. It
counts only while all of them are the same. A compaction puts the rows into other files and voids it, unless an audit
holds the new files row for row against those replaced while these are still there.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from stillwell import __version__, schemas
from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import WORK
from stillwell.archive.disk.regular_files import read_regular
from stillwell.archive.ledger.entries import Entry, checked, self_checked, utc_text
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import canonical_json, folder_digest, sha256
from stillwell.shared_types import ListedFile

PLACE = f"{WORK}/proofs.json"
NEVER = ""

Places = tuple[str, ...]
"""Paths of the table files that hold the rows of a commit."""


@dataclass(frozen=True)
class Statement:
    """What a proof of a commit made now would name: the same words mean that nothing it rests on has changed.

    ``earlier`` are the words of a proof made before compactions, newest first, each with the number of the compaction
    that put the rows elsewhere since.
    """

    number: int
    digest: str
    earlier: tuple[tuple[int, str], ...] = ()


class KeptProofs:
    """Which commits are proved and since when, as the work folder keeps it.

    Parameters
    ----------
    archive : Archive
    entries : sequence of Entry
        All of them, in order.
    row_for_row : collection of int
        Numbers of compactions whose rows were held just now against those of the files they replaced; a proof made
        before one of these counts on.
    """

    def __init__(self, archive: Archive, entries: Sequence[Entry], row_for_row: Collection[int] = ()) -> None:
        self._root = archive.root
        self._wanted = statements(entries, archive.ledger.head_digest(), software())
        self.since = kept(archive.root, self._wanted, row_for_row)
        """Moments by number of the commit."""

    def in_turn(self) -> list[int]:
        """Order commits: those never proved first, newest first, then those proved longest ago."""
        return [one.number for one in sorted(self._wanted, key=lambda one: (self._moment(one), -one.number))]

    def _moment(self, one: Statement) -> str:
        return self.since.get(one.number, NEVER)

    def added(self, sound: Iterable[int], others: Iterable[int], moment: datetime) -> str:
        """Keep what was proved just now and let go of proofs of ``others``; say how much is proved in all.

        Returns
        -------
        str
            Also where the disk refuses, which voids nothing that was found.
        """
        for number in others:
            self.since.pop(number, None)
        self.since |= dict.fromkeys(sound, utc_text(moment))
        words = f"commits proved: {len(self.since):,} of {len(self._wanted):,}"
        words += f", the one longest ago at {min(self.since.values())}" if self.since else ""
        try:
            keep(self._root, self._wanted, self.since)
        except OSError as error:
            return f"{words}; the proofs could not be kept in {PLACE}: {error.strerror}"
        return words


def software() -> str:
    """Name the software by its version and a digest of its files, so that a changed rule is another software."""
    places = [Path(__file__).resolve().parents[1], Path(schemas.__file__).resolve().parent]
    files = [
        (f"{place.name}/{path.relative_to(place).as_posix()}", path.read_bytes())
        for place in places
        for path in sorted(place.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts
    ]
    return f"{__version__} {folder_digest(files)}"


def statements(entries: Sequence[Entry], head: str, made_by: str) -> list[Statement]:
    """Say for every commit what a proof of it made now would name.

    Parameters
    ----------
    entries : sequence of Entry
        All of them, in order.
    head : str
        Digest of the newest.
    made_by : str
        As of ``software``.

    Returns
    -------
    list of Statement
        In the order of the ledger.
    """
    digests = [*(entry.previous for entry in entries[1:]), head]
    files: dict[str, ListedFile] = {}
    held_in: dict[int, list[tuple[int, Places]]] = {}
    holds: dict[str, set[int]] = {}
    for entry in entries:
        moved = {number for path in entry.replaced for number in holds.get(path, ())}
        into = _holders(entry, files)
        for number in sorted(moved):
            places = tuple(sorted({new for path in held_in[number][-1][1] for new in into.get(path, [path])}))
            held_in[number].append((entry.number, places))
        held_in[entry.number] = [(entry.number, tuple(file.path for file in entry.files if file.table))]
        for number in (*moved, entry.number):
            for path in held_in[number][-1][1]:
                holds.setdefault(path, set()).add(number)
        files |= {file.path: file for file in entry.files if file.table}
    out = []
    for entry, digest in zip(entries, digests, strict=True):
        words = [
            (since, sha256(canonical_json([entry.number, digest, made_by, [[p, files[p].sha256] for p in places]])))
            for since, places in held_in[entry.number]
        ]
        # a proof in the words before a compaction needs every compaction after it
        earlier = tuple((words[i + 1][0], words[i][1]) for i in range(len(words) - 2, -1, -1))
        out.append(Statement(entry.number, words[-1][1], earlier))
    return out


def _holders(entry: Entry, files: Mapping[str, ListedFile]) -> dict[str, list[str]]:
    """Name the files of a commit that may hold the rows of each table file that it replaced."""
    new = [file for file in entry.files if file.table]
    known = {path: files[path] for path in entry.replaced if path in files}
    return {path: [file.path for file in new if _may_hold(file, old)] for path, old in known.items()}


def _may_hold(file: ListedFile, old: ListedFile) -> bool:
    return file.table == old.table and (not old.sites or not set(old.sites).isdisjoint(file.sites))


def kept(root: Path, wanted: Sequence[Statement], row_for_row: Collection[int] = ()) -> dict[int, str]:
    """Read since when commits are proved that still are; a proof that is torn, forged or void is not among them.

    Parameters
    ----------
    root : Path
    wanted : sequence of Statement
    row_for_row : collection of int
        As of ``KeptProofs``.

    Returns
    -------
    dict of int to str
        Moments by number.
    """
    try:
        stored: Any = checked(read_regular(root / PLACE), PLACE).get("proofs")
    except (OSError, ArchiveDamaged):
        return {}
    if not isinstance(stored, dict):
        return {}
    moments = {one.number: _moment_in(stored, one, row_for_row) for one in wanted}
    return {number: str(moment) for number, moment in moments.items() if moment}


def _moment_in(stored: Mapping[str, Any], one: Statement, row_for_row: Collection[int]) -> str:
    """Find the moment of a proof in the words of today, or in those before compactions that were proved."""
    if one.digest in stored:
        return str(stored[one.digest])
    for compaction, digest in one.earlier:
        if compaction not in row_for_row:
            break
        if digest in stored:
            return str(stored[digest])
    return NEVER


def keep(root: Path, wanted: Sequence[Statement], proved: Mapping[int, str]) -> None:
    """Keep the proofs of commits, by number with their moments, and let go of all others.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    proofs = {one.digest: proved[one.number] for one in wanted if one.number in proved}
    fs.write_file(root / PLACE, self_checked({"kind": "proofs", "proofs": proofs, "version": 1}))
