"""Verified copies of an archive in other folders, and how many good copies each object has. Never deletes facts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from stillwell.archive import fs
from stillwell.archive.archive import Archive, lies_within
from stillwell.archive.layout import LOCK, SEALED, WORK, entry_path
from stillwell.archive.ledger import Ledger
from stillwell.archive.lock import hold_lock
from stillwell.archive.sealed import Sealed, object_folder
from stillwell.errors import ArchiveDamaged, ArchiveError
from stillwell.fingerprint import sha256

ROUNDS = 5
"""How often a copy is begun again because commits were made meanwhile; what is newer waits for the next time."""


@dataclass
class Copies:
    """Good copies of each object: first in the archive itself, then in each replica, and what was written."""

    folders: list[str]
    good: dict[str, list[bool]] = field(default_factory=dict)
    """By object (a listed file, a ledger entry, a sealed deposit): whether each folder holds it as it should be."""
    written: dict[str, int] = field(default_factory=dict)
    """Objects written anew, by replica."""

    def counts(self) -> dict[int, int]:
        """Count the objects by their number of good copies."""
        out: dict[int, int] = {}
        for copies in self.good.values():
            out[sum(copies)] = out.get(sum(copies), 0) + 1
        return dict(sorted(out.items()))

    def short(self) -> list[str]:
        """Name the objects that are not good everywhere."""
        return sorted(name for name, copies in self.good.items() if not all(copies))


def replicate(root: Path, replicas: Sequence[Path], now: datetime) -> Copies:
    """Copy an archive, and mend what is not as it should be in the copies.

    Every file of a copy is read and held against its digest, on each run. An object that is damaged in the archive
    is not copied, and a good copy of it is left as it is. Facts come first, ledger entries last, so that a copy cut
    short is an older archive.

    Parameters
    ----------
    root : Path
    replicas : sequence of Path
        Folders that are empty, do not exist, or hold an earlier copy.
    now : datetime

    Returns
    -------
    Copies

    Raises
    ------
    ArchiveError
        If a folder holds another archive, or one that is ahead; nothing was written there.
    ArchiveLocked, CannotLock
        If a copy is being written by another process.
    """
    copies = Copies([str(root), *map(str, replicas)])
    for replica in replicas:
        _check_lineage(root, replica)
    for place, replica in enumerate(replicas, 1):
        copies.written[str(replica)] = 0
        fs.make_folder(replica / WORK)
        with hold_lock(replica / LOCK, now):
            for _ in range(ROUNDS):
                archive = Archive(root)
                for name, held, count in _copied(archive, replica):
                    state = copies.good.setdefault(name, [False] * len(copies.folders))
                    state[0], state[place] = held
                    copies.written[str(replica)] += count
                if Ledger(root).head_number() == archive.ledger.head_number():
                    break
    return copies


def _check_lineage(root: Path, replica: Path) -> None:
    """Refuse a folder that lies in the archive, holds something else, another archive, or one ahead of this."""
    if lies_within(replica, root):
        msg = f"expected a folder outside the archive {root}, found {replica}; nothing was written"
        raise ArchiveError(msg)
    if not replica.exists():
        return
    inside = {path.name for path in replica.iterdir()} - {WORK}
    ledger = Ledger(replica)
    head = ledger.head_number() if inside else 0
    if not head:
        if inside - {SEALED, "tables", "netcdf", "provenance", "schemas", "returned", "README.txt", "ledger"}:
            msg = f"expected an empty folder or a copy of the archive in {replica}, found neither; nothing was written"
            raise ArchiveError(msg)
        return
    mine = Ledger(root).head_number()
    for number in (1, min(head, mine)):
        if head > mine or (replica / entry_path(number)).read_bytes() != (root / entry_path(number)).read_bytes():
            msg = f"expected an earlier copy of this archive in {replica}, found one with other commits; left alone"
            raise ArchiveError(msg)


def _copied(archive: Archive, replica: Path) -> Iterator[tuple[str, tuple[bool, bool], int]]:
    """Copy sealed deposits, listed files and ledger entries; say of each what is good and how many were written."""
    there = Sealed(replica)
    for digest in archive.sealed.digests():
        yield f"deposit {digest}", *_sealed_copied(archive, there, digest)
    declared = archive.sealed.root_files()
    fs.write_files([(replica / path, data) for path, data in declared if _bytes(replica / path) != data])
    for path, listed in sorted(archive.listing().items()):
        yield path, *_file_copied(archive.path_of(path), replica / path, listed.sha256)
    digests = _entry_digests(archive)
    for number, digest in sorted(digests.items()):
        path = entry_path(number)
        yield path, *_file_copied(archive.root / path, replica / path, digest)


def _entry_digests(archive: Archive) -> dict[int, str]:
    entries = archive.ledger.entries()
    return {e.number - 1: e.previous for e in entries[1:]} | {entries[-1].number: archive.ledger.head_digest()}


def _file_copied(source: Path, copy: Path, digest: str) -> tuple[tuple[bool, bool], int]:
    data = _bytes(source)
    here = sha256(data) == digest
    if sha256(_bytes(copy)) == digest and copy.is_file():
        return (here, True), 0
    if not here:
        return (False, False), 0
    fs.write_file(copy, data)
    return (True, sha256(_bytes(copy)) == digest), 1


def _sealed_copied(archive: Archive, there: Sealed, digest: str) -> tuple[tuple[bool, bool], int]:
    """Copy one sealed deposit; where it was withheld here, the copy gives up its content too."""
    sound = not archive.sealed.faults(digest)
    same = there.contains(digest) and archive.sealed.withheld(digest) == there.withheld(digest)
    if same and not there.faults(digest):
        return (sound, True), 0
    if not sound:
        return (False, there.contains(digest) and not there.faults(digest)), 0
    folder = object_folder(digest)
    files = archive.sealed.files_of(digest)
    fs.write_files([(there.folder / folder / path, data) for path, data in files])
    known = {path for path, _ in files}
    base = there.folder / folder
    fs.remove_files([p for p in base.rglob("*") if p.is_file() and p.relative_to(base).as_posix() not in known])
    return (True, not there.faults(digest)), 1


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def repair(root: Path, replica: Path, now: datetime) -> tuple[list[str], list[str]]:
    """Restore from a copy what an archive lost or holds damaged; by digest, keeping what was found aside.

    Parameters
    ----------
    root, replica : Path
    now : datetime

    Returns
    -------
    list of str
        What was restored.
    list of str
        What is damaged and has no good copy there.

    Raises
    ------
    ArchiveLocked, CannotLock
        If a writer is at work.
    ArchiveDamaged
        If the ledger has an entry that neither holds; nothing was changed then.
    """
    fs.make_folder(root / WORK)
    with hold_lock(root / LOCK, now):
        aside = root / WORK / "damaged" / now.strftime("%Y%m%dT%H%M%SZ")
        restored = [_put(root, aside, path, data) for path, data in _lost_entries(root, replica)]
        archive, hopeless = Archive(root), []
        for path, listed in sorted(archive.listing().items()):
            if sha256(_bytes(archive.path_of(path))) != listed.sha256 or not archive.path_of(path).is_file():
                data = _bytes(replica / path)
                if sha256(data) == listed.sha256:
                    restored.append(_put(root, aside, path, data))
                else:
                    hopeless.append(path)
        there = Sealed(replica)
        for digest in sorted(archive.ledger.deposit_digests() | set(archive.sealed.digests())):
            if not archive.sealed.faults(digest):
                continue
            if there.contains(digest) and not there.faults(digest):
                restored += _object_restored(root, aside, there, digest)
            else:
                hopeless.append(f"{SEALED}/{object_folder(digest)}")
        for path, data in there.root_files():
            if _bytes(root / path) != data:
                restored.append(_put(root, aside, path, data))
    return restored, hopeless


def _lost_entries(root: Path, replica: Path) -> list[tuple[str, bytes]]:
    """Follow the chain from its newest entry down and pick, for each, the bytes that fit."""
    here, there = Ledger(root), Ledger(replica)
    head = max(here.newest_number(), there.newest_number())
    out, expected = [], ""
    for number in range(head, 0, -1):
        path = entry_path(number)
        for base in (root, replica):
            data = _bytes(base / path)
            previous = here.previous_of(data, path)
            if previous is not None and expected in ("", sha256(data)):
                break
        else:
            msg = f"{path}: expected an entry of the chain here or in {replica}, found none; nothing was changed"
            raise ArchiveDamaged(msg)
        if base != root:
            out.append((path, data))
        expected = previous
    return out


def _object_restored(root: Path, aside: Path, there: Sealed, digest: str) -> Iterator[str]:
    folder = f"{SEALED}/{object_folder(digest)}"
    known = dict(there.files_of(digest))
    for path, data in known.items():
        if _bytes(root / folder / path) != data or not (root / folder / path).is_file():
            yield _put(root, aside, f"{folder}/{path}", data)
    base = root / folder
    for found in sorted(p for p in base.rglob("*") if p.is_file()):
        if found.relative_to(base).as_posix() not in known:
            fs.move_into_place([(found, aside / found.relative_to(root))])


def _put(root: Path, aside: Path, path: str, data: bytes) -> str:
    """Write good bytes; whatever lay there is kept aside."""
    if (root / path).exists():
        fs.move_into_place([(root / path, aside / path)])
    fs.write_file(root / path, data)
    return path
