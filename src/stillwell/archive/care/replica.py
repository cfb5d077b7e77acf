"""Verified copies of an archive in other folders, and how many good copies each object has. Never deletes facts."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.care.lineage import Link, check_copy, read_chain
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import LEDGER, LOCK, README, SEALED, WORK, WRITTEN, entry_path
from stillwell.archive.disk.lock import hold_lock
from stillwell.archive.disk.nested_paths import lies_within
from stillwell.archive.disk.regular_files import is_folder, read_regular
from stillwell.archive.ledger.chain import Ledger
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
        _check_place(root, replica)
    chain = _whole_chain(root)
    for replica in replicas:
        check_copy(chain, read_chain(replica))
    for place, replica in enumerate(replicas, 1):
        copies.written[str(replica)] = 0
        fs.make_folder(replica / WORK)
        with hold_lock(replica / LOCK, now):
            _sweep_unfinished(replica)
            for _ in range(ROUNDS):
                archive = Archive(root)
                for name, held, count in _copied(archive, replica):
                    state = copies.good.setdefault(name, [False] * len(copies.folders))
                    state[0], state[place] = held
                    copies.written[str(replica)] += count
                if Ledger(root).head_number() == archive.ledger.head_number():
                    break
    return copies


def _whole_chain(root: Path) -> list[Link]:
    """Read the chain of the archive that is copied, which must hold together.

    Raises
    ------
    ArchiveDamaged
        If it does not.
    """
    entries = Archive(root).ledger.entries()
    links = read_chain(root).intact
    return [links[entry.number] for entry in entries]


def _sweep_unfinished(replica: Path) -> None:
    """Remove what a copying that died left under hidden names."""
    left = [p for p in replica.rglob(".*.part") if WORK not in p.relative_to(replica).parts[:1] and not is_folder(p)]
    fs.remove_files(left)


def _check_place(root: Path, replica: Path) -> None:
    """Refuse a folder that lies in the archive, or holds something else than a copy of one."""
    if lies_within(replica, root):
        msg = f"expected a folder outside the archive {root}, found {replica}; nothing was written"
        raise ArchiveError(msg)
    if not replica.exists():
        return
    inside = {path.name for path in replica.iterdir()} - {WORK}
    if not Ledger(replica).numbers():
        # a first copying that died may have left the README under its hidden name
        if inside - {SEALED, LEDGER, *WRITTEN, fs.temporary(replica / README).name}:
            msg = f"expected an empty folder or a copy of the archive in {replica}, found neither; nothing was written"
            raise ArchiveError(msg)
        return


def _copied(archive: Archive, replica: Path) -> Iterator[tuple[str, tuple[bool, bool], int]]:
    """Copy sealed deposits, listed files and ledger entries; say of each what is good and how many were written."""
    there, stones = Sealed(replica), decided(archive)
    for digest in archive.sealed.digests():
        yield f"deposit {digest}", *_sealed_copied(archive, there, digest, stones)
    declared = archive.sealed.root_files()
    fs.write_files([(replica / path, data) for path, data in declared if _bytes(replica / path) != data])
    for path, listed in sorted(archive.listing().items()):
        yield path, *_file_copied(archive.path_of(path), replica / path, listed.sha256)
    for number, digest in enumerate(archive.ledger.digests(), 1):
        path = entry_path(number)
        yield path, *_file_copied(archive.root / path, replica / path, digest)


def _file_copied(source: Path, copy: Path, digest: str) -> tuple[tuple[bool, bool], int]:
    data = _bytes(source)
    here = sha256(data) == digest
    if sha256(_bytes(copy)) == digest:
        return (here, True), 0
    if not here:
        return (False, False), 0
    fs.write_file(copy, data)
    return (True, sha256(_bytes(copy)) == digest), 1


def _sealed_copied(
    archive: Archive, there: Sealed, digest: str, stones: Collection[str]
) -> tuple[tuple[bool, bool], int]:
    """Copy one sealed deposit; where it was withheld here by a decision, the copy gives up its content too."""
    sound = not archive.sealed.faults(digest) and (digest in stones or not archive.sealed.withheld(digest))
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


def decided(archive: Archive) -> set[str]:
    """Collect the deposits whose content was decided to be withheld; none where the decisions cannot be read."""
    try:
        return set(archive.read("withholdings")["subject"])
    except ArchiveDamaged:
        return set()


def _bytes(path: Path) -> bytes:
    try:
        return read_regular(path)
    except OSError:
        return b""
