"""What an archive lost or holds damaged, restored from a copy by digest: planned first, then done."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path

import pyarrow.parquet as pq

from stillwell.archive.care.lineage import Chain, Link, mended, read_chain
from stillwell.archive.care.strays import strays
from stillwell.archive.care.witness import Witnessed
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import CHECKPOINT_EVERY, LOCK, SEALED, WORK, checkpoint_path, entry_path, part_path
from stillwell.archive.disk.lock import hold_lock
from stillwell.archive.disk.regular_files import irregular, is_folder, read_regular
from stillwell.archive.ledger.checkpoints import State, parts_unlike, state_of
from stillwell.archive.sealed import Sealed, object_folder
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import sha256
from stillwell.shared_types import ListedFile

FROM_ENTRIES = "the ledger's entries"
"""Where a checkpoint is restored from: it is made again."""


@dataclass(frozen=True)
class Restore:
    """One file that is not as it should be, and where the bytes are that should be there."""

    path: str
    source: str
    found_sha256: str | None
    """Of what lies there; None where nothing does, or no regular file."""
    sha256: str
    read: Callable[[], bytes] = field(repr=False, compare=False)


@dataclass(frozen=True)
class Plan:
    """What a repair would do."""

    restores: tuple[Restore, ...]
    aside: tuple[str, ...]
    """What belongs to no chain or object that stands, and goes to the work folder."""
    hopeless: tuple[str, ...]
    """What is damaged and has no good copy there."""


def plan_repair(root: Path, replica: Path, lines: Sequence[Witnessed] = ()) -> Plan:
    """Find what is lost or damaged in an archive and good in a copy; nothing is written.

    Parameters
    ----------
    root, replica : Path
    lines : sequence of Witnessed
        Decide which chain is the right one where both hold together and differ.

    Returns
    -------
    Plan

    Raises
    ------
    ArchiveError
        If the copy is not kin to the archive.
    ArchiveDamaged
        If the ledger has an entry that neither holds.
    """
    here = read_chain(root)
    chain = mended(here, read_chain(replica), lines)
    state = State()
    restores = [*_lost_entries(here, chain), *_checkpoints(root, chain, state)]
    aside = [entry_path(number) for number in sorted(here.raw) if number > len(chain)]
    live = state.all_files()
    aside += _dropped(here, chain, live)
    hopeless: list[str] = []
    staged = {move.final: move.staged for move in chain[-1].entry.moves}
    for path, listed in sorted(live.items()):
        if _is_good(root, path, listed.sha256) or _is_good(root, staged.get(path, path), listed.sha256):
            continue
        if _is_good(replica, path, listed.sha256):
            restores.append(_restore(root, replica, path, listed.sha256))
        else:
            hopeless.append(path)
    stones = _decided(root, replica, live)
    for digest in sorted(state.grown.deposits | set(Sealed(root).digests())):
        forged = Sealed(root).withheld(digest) and digest not in stones
        if forged or Sealed(root).faults(digest):
            _plan_object(root, replica, digest, digest in stones, (restores, aside, hopeless))
    for path, data in Sealed(root).root_files():
        if not _is_good(root, path, sha256(data)):
            restores.append(Restore(path, "the software", _digest(root, path), sha256(data), partial(bytes, data)))
    taken = {one.path for one in restores} | set(aside)
    # a folder that is empty only until its files are restored is none
    taken |= {parent.as_posix() for one in restores for parent in Path(one.path).parents}
    aside += [path for path in strays(root, chain, live, state.grown.deposits, stones) if path not in taken]
    return Plan(tuple(restores), tuple(aside), tuple(hopeless))


def unheard(_: str) -> None:
    """Do nothing about a path that was put aside."""


def repair(
    root: Path,
    replica: Path,
    now: datetime,
    lines: Sequence[Witnessed] = (),
    aside: Callable[[str], None] = unheard,
) -> tuple[list[str], list[str]]:
    """Restore from a copy what an archive lost or holds damaged; by digest, keeping what was found aside.

    Parameters
    ----------
    root, replica : Path
    now : datetime
    lines : sequence of Witnessed
    aside : callable
        Told each path that belongs to no chain or object and was put aside.

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
    ArchiveError, ArchiveDamaged
        As ``plan_repair``; nothing was changed then.
    """
    away = root / WORK / "damaged" / now.strftime("%Y%m%dT%H%M%S%fZ")
    _clear_way(root, away)
    with hold_lock(root / LOCK, now):
        plan = plan_repair(root, replica, lines)
        for one in plan.restores:
            data = one.read()
            if sha256(data) != one.sha256:
                msg = (
                    f"{one.path}: expected the sha256 {one.sha256} in {one.source}, found {sha256(data)}; stopped there"
                )
                raise ArchiveDamaged(msg)
            _put_aside(root, away, one.path)
            fs.write_file(root / one.path, data)
        for path in plan.aside:
            _put_aside(root, away, path)
            fs.remove_empty_folders((root / path).parent, root)
            aside(path)
    return [one.path for one in plan.restores], list(plan.hopeless)


def _clear_way(root: Path, away: Path) -> None:
    """Put aside what stands in place of the work folder or of the lock and is none; no writer can hold such a lock."""
    if os.path.lexists(root / WORK) and not is_folder(root / WORK):
        # it cannot be moved into the folder that takes its place at once
        hidden = fs.temporary(root / WORK)
        fs.move_into_place([(root / WORK, hidden)])
        fs.move_into_place([(hidden, away / WORK)])
    fs.make_folder(root / WORK)
    if irregular(root / LOCK):
        _put_aside(root, away, LOCK)


def _lost_entries(here: Chain, chain: Sequence[Link]) -> Iterator[Restore]:
    for link in chain:
        number, path = link.entry.number, entry_path(link.entry.number)
        if here.raw.get(number) != link.data or irregular(here.root / path) or _link_above(here.root, path):
            yield Restore(path, str(link.root), _digest(here.root, path), link.sha256, partial(bytes, link.data))


def _checkpoints(root: Path, chain: Sequence[Link], state: State) -> Iterator[Restore]:
    """Follow the chain, and make again the checkpoints that are there and do not say what it says."""
    for link in chain:
        state.add(link.entry, link.data)
        number = link.entry.number
        if number % CHECKPOINT_EVERY or not os.path.lexists(root / checkpoint_path(number)):
            continue
        if _says_so(root, number, state):
            continue
        # the first part names the others, so it comes last
        for name, data in sorted(state.parts().items(), reverse=True):
            path = part_path(number, name)
            if not _is_good(root, path, sha256(data)):
                yield Restore(path, FROM_ENTRIES, _digest(root, path), sha256(data), partial(bytes, data))


def _says_so(root: Path, number: int, state: State) -> bool:
    """Return whether a checkpoint says in all its parts what the entries say."""

    def part(name: str) -> bytes:
        try:
            return read_regular(root / part_path(number, name))
        except OSError:
            return b""

    path = checkpoint_path(number)
    try:
        stored = state_of(read_regular(root / path), path, lambda _, name: part(name), lambda _: state)
        return not parts_unlike(stored, part, state)
    except (OSError, ArchiveDamaged):
        return False


def _dropped(here: Chain, chain: Sequence[Link], live: Mapping[str, ListedFile]) -> list[str]:
    """Name the files of entries that are not of the chain, as far as no entry of the chain speaks of them."""
    stands = {link.sha256 for link in chain}
    known = set(live) | {path for link in chain for path in link.entry.replaced}
    known |= {file.path for link in chain for file in link.entry.files}
    mine = {file.path for link in here.intact.values() if link.sha256 not in stands for file in link.entry.files}
    return sorted(path for path in mine - known if os.path.lexists(here.root / path))


def _decided(root: Path, replica: Path, live: Mapping[str, ListedFile]) -> set[str]:
    """Collect the deposits whose content was decided to be withheld, from whichever bytes are good."""
    subjects: set[str] = set()
    for path, listed in live.items():
        base = next((b for b in (root, replica) if _is_good(b, path, listed.sha256)), None)
        if listed.table == "withholdings" and base is not None:
            rows = pq.read_table(io.BytesIO(read_regular(base / path)), columns=["subject"])
            subjects |= set(rows.column("subject").to_pylist())
    return subjects


def _plan_object(
    root: Path, replica: Path, digest: str, stone: bool, plan: tuple[list[Restore], list[str], list[str]]
) -> None:
    """Plan for one damaged object: the content, or the tombstone where a decision says so, never the other."""
    restores, aside, hopeless = plan
    there, folder = Sealed(replica), f"{SEALED}/{object_folder(digest)}"
    if there.faults(digest) or there.withheld(digest) != stone:
        hopeless.append(folder)
        return
    known = dict(there.files_of(digest))
    for path, data in known.items():
        if not _is_good(root, f"{folder}/{path}", sha256(data)):
            restores.append(_restore(root, replica, f"{folder}/{path}", sha256(data)))
    base = root / folder
    above = {parent.as_posix() for path in known for parent in Path(path).parents}
    for inner in sorted(base.rglob("*")):
        inside = inner.relative_to(base).as_posix()
        if inside not in known and inside not in above and inner.parent.relative_to(base).as_posix() in above:
            aside.append(f"{folder}/{inside}")


def _restore(root: Path, replica: Path, path: str, digest: str) -> Restore:
    return Restore(path, str(replica), _digest(root, path), digest, partial(read_regular, replica / path))


def _link_above(root: Path, path: str) -> str:
    """Name the first part of a path that is no folder of the archive but a link, a file or the like, or nothing."""
    parts = Path(path).parts
    above = ("/".join(parts[: i + 1]) for i in range(len(parts) - 1))
    return next((p for p in above if os.path.lexists(root / p) and not is_folder(root / p)), "")


def _digest(root: Path, path: str) -> str | None:
    if _link_above(root, path):
        return None
    try:
        return sha256(read_regular(root / path))
    except OSError:
        return None


def _is_good(root: Path, path: str, digest: str) -> bool:
    return _digest(root, path) == digest


def _put_aside(root: Path, away: Path, path: str) -> None:
    """Move whatever lies in a place, or in the way to it, to the work folder."""
    taken = _link_above(root, path) or path
    if os.path.lexists(root / taken):
        fs.move_into_place([(root / taken, away / taken)])
