"""The writer: one commit at a time, each whole or not at all.

Lock; finish or sweep what a dead writer left; say what will be written; seal the deposits; write the new
files under names that nothing lists; stage the files that replace others; write the ledger entry, which is
the commit point; move the staged files into place; remove what the commit decides to withhold; checkpoint.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive, refuse_newer
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import (
    DOCUMENTS,
    INTENT,
    LEDGER,
    LOCK,
    README,
    SEALED,
    TABLES,
    WORK,
    check_document_path,
    staging_folder,
)
from stillwell.archive.disk.lock import WAIT_S, hold_lock
from stillwell.archive.ledger.chain import Entry, Ledger
from stillwell.archive.ledger.clock import check_clock
from stillwell.archive.ledger.entries import Move
from stillwell.archive.ledger.moved_gaugings import linked_by
from stillwell.archive.netcdf.background import MadeFile, sweep_making
from stillwell.archive.sealed import Sealed
from stillwell.archive.tables.table_buffer import files_of
from stillwell.archive.writing import recovery
from stillwell.errors import ArchiveDamaged, ArchiveError, NotAnArchive
from stillwell.fingerprint import sha256
from stillwell.shared_types import RULES, Deposit, ListedFile

STEPS = (
    "locked",
    "recovered",
    "declared",
    "sealed",
    "written",
    "staged",
    "committed",
    "moved",
    "withheld",
    "checkpointed",
    "closed",
)
"""Moments of a commit, in order; the writer's ``step`` is told each when it has come."""

Step = Callable[[str], None]


def utc_now() -> datetime:
    """Return the present instant."""
    return datetime.now(UTC)


def no_step(name: str) -> None:
    """Do nothing at a step."""


@dataclass(frozen=True)
class Commit:
    """What is to be written at once.

    ``tables`` may be a ``TableBuffer``. ``documents`` are new files, ``replacing`` files that may take the place of
    listed ones, and ``made`` such files that already lie whole and fsynced on the same filesystem. ``replaced`` are
    listed paths that no longer are. ``made_from`` names the inputs of what the commit derives; see ``Entry``.
    ``withheld`` maps the digest of a sealed deposit to that of the deposit that decides that its content goes.
    ``deposit_notes`` say what the entry tells of each deposit, under its ``deposit`` digest.
    """

    deposits: Sequence[Deposit] = ()
    deposit_notes: Sequence[Mapping[str, Any]] = ()
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    documents: Mapping[str, bytes] = field(default_factory=dict)
    replacing: Mapping[str, bytes] = field(default_factory=dict)
    made: Sequence[MadeFile] = ()
    made_from: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    replaced: Sequence[str] = ()
    withheld: Mapping[str, str] = field(default_factory=dict)
    counts: Mapping[str, int] = field(default_factory=dict)
    reason: str = ""


@contextmanager
def open_writer(
    root: Path,
    *,
    software_version: str,
    by: str,
    now: Callable[[], datetime] = utc_now,
    create: bool = True,
    wait_s: float = WAIT_S,
    step: Step = no_step,
    policy_text: str = "",
    rules: int = RULES,
    earlier: Ledger | None = None,
) -> Iterator[Writer]:
    """Open an archive for writing, alone.

    Parameters
    ----------
    root : Path
        The archive's folder.
    software_version : str
    by : str
        Code of the person or job that writes.
    now : callable
        The clock, read under the lock; a commit is refused where it stands too far from the one before, unless it
        is a ``clock.RightClock``.
    create : bool
        Make the folder when it does not exist.
    wait_s : float
        Seconds to wait while another writer is at work.
    step : callable
        Told each of ``STEPS``.
    policy_text : str
        The policy that ships with the software; the ledger keeps it, since numbers rest on it and software passes.
    rules : int
        By which rules rows are made; see ``shared_types.RULES``.
    earlier : Ledger, optional
        Read before the lock was taken; see ``Ledger``.

    Raises
    ------
    NotAnArchive
        If the folder holds something else, or does not exist and may not be made.
    ArchiveLocked, CannotLock
        If another writer is at work, or the filesystem gives no locks.
    ArchiveDamaged
        If what is there does not fit together.
    """
    _check_place(root, create)
    fs.make_folder(root / WORK)
    since = now()
    with hold_lock(root / LOCK, since, wait_s=wait_s):
        step("locked")
        ledger = Ledger(root, thorough=True, earlier=earlier)
        refuse_newer(ledger)
        _refuse_headless(root, ledger)
        recovery.recover(root, ledger)
        sweep_making(root, since)
        step("recovered")
        yield Writer(root, ledger, software_version, by, now, step, policy_text, rules)


class Writer:
    """An archive held for writing; made by ``open_writer``.

    ``archive`` is what readers see now, ``number`` and ``recorded_at`` belong to the commit to come.
    """

    def __init__(
        self,
        root: Path,
        ledger: Ledger,
        software_version: str,
        by: str,
        now: Callable[[], datetime],
        step: Step,
        policy_text: str = "",
        rules: int = RULES,
    ) -> None:
        self.root = root
        self.by = by
        self.software_version = software_version
        self.policy_text = policy_text
        self.rules = rules
        self._ledger = ledger
        self._now = now
        self._step = step
        self._prepare()

    def _prepare(self) -> None:
        head = self._ledger.head()
        self.archive = Archive.new(self.root, self._ledger)
        self.number = self._ledger.head_number() + 1
        self._present = self._now().astimezone(UTC)
        # a clock that stands still or was set back must not give two commits one moment
        least = head.recorded_at + timedelta(microseconds=1) if head else self._present
        self.recorded_at = max(self._present, least)

    def check_clock(self) -> None:
        """Refuse to go on by a clock that stands too far from the newest commit; see ``clock.check_clock``.

        Raises
        ------
        ClockRefused
            If it does, and is not stated to be right.
        """
        head = self._ledger.head()
        if head is not None:
            check_clock(self._now, self._present, head.recorded_at)

    def commit(self, commit: Commit) -> Entry:
        """Write a commit.

        Parameters
        ----------
        commit : Commit

        Returns
        -------
        Entry
            As it stands in the ledger.

        Raises
        ------
        ArchiveError
            If something in it cannot be written as asked; nothing was written then.
        ClockRefused
            If the clock stands too far from the newest commit; nothing was written then.
        OSError
            If the disk refuses; the next writer sweeps or finishes.
        """
        self.check_clock()
        new = self._new_files(commit)
        staged = self._staged(commit)
        sealed = Sealed(self.root)
        fresh = tuple(sorted({d.digest for d in commit.deposits if not sealed.contains(d.digest)}))
        entry = self._entry(commit, [listed for listed, _ in new], staged)
        withheld = tuple(sorted(commit.withheld.items()))
        recovery.declare(self.root, recovery.Intent(self.number, tuple(f.path for f, _ in new), fresh, withheld))
        self._step("declared")
        sealed.seal(commit.deposits, self.recorded_at, self.by, self.root / staging_folder(self.number) / SEALED)
        self._step("sealed")
        fs.write_files([(self.root / file.path, data) for file, data in new])
        self._step("written")
        self._stage(commit, staged)
        self._step("staged")
        self._ledger.append(entry)
        self._step("committed")
        self._finish(entry, withheld)
        return entry

    def _stage(self, commit: Commit, moves: Sequence[Move]) -> None:
        """Put the files that will take their place into the staging folder: written there, or moved there whole."""
        made = {file.path: file.source for file in commit.made}
        fs.write_files(
            [(self.root / move.staged, commit.replacing[move.final]) for move in moves if move.final not in made]
        )
        fs.move_into_place([(made[move.final], self.root / move.staged) for move in moves if move.final in made])

    def _finish(self, entry: Entry, withheld: tuple[tuple[str, str], ...]) -> None:
        recovery.complete_moves(self.root, entry)
        self._step("moved")
        recovery.complete_withholding(self.root, entry, withheld)
        self._step("withheld")
        self._ledger.write_checkpoint()
        self._step("checkpointed")
        recovery.close(self.root, entry.number)
        self._prepare()
        self._step("closed")

    def _new_files(self, commit: Commit) -> list[tuple[ListedFile, bytes]]:
        """Render the files nothing lists yet; a document that is listed with these very bytes is left out."""
        live = self._ledger.live()
        files = [(listed, data) for _, data, listed in files_of(commit.tables, self.number)]
        for path, data in sorted(commit.documents.items()):
            check_document_path(path)
            listed = ListedFile(path, len(data), sha256(data))
            if path not in live:
                files.append((listed, data))
            elif live[path].sha256 != listed.sha256:
                msg = f"{path}: expected a new document, found one listed with other bytes; nothing was written"
                raise ArchiveError(msg)
        return files

    def _staged(self, commit: Commit) -> list[Move]:
        """Say where the files that change are staged."""
        live = self._ledger.live()
        changing = [(path, sha256(data), len(data)) for path, data in commit.replacing.items()]
        changing += [(file.path, file.sha256, file.size) for file in commit.made]
        moves: list[Move] = []
        for path, digest, size in sorted(changing):
            check_document_path(path)
            if path in commit.documents or (moves and moves[-1].final == path):
                msg = f"{path}: expected a document once, found it twice in one commit; nothing was written"
                raise ArchiveError(msg)
            if path not in live or live[path].sha256 != digest:
                staged = f"{staging_folder(self.number)}/{len(moves):04d}"
                moves.append(Move(staged, path, digest, size))
        return moves

    def _entry(self, commit: Commit, new: list[ListedFile], moves: list[Move]) -> Entry:
        from stillwell.schemas import SCHEMA_VERSION

        files = [*new, *(ListedFile(m.final, m.size, m.sha256) for m in moves)]
        return Entry(
            number=self.number,
            previous=self._ledger.head_digest(),
            recorded_at=self.recorded_at,
            by=self.by,
            software=self._software(),
            reason=commit.reason,
            schema_version=SCHEMA_VERSION,
            deposits=_notes(commit),
            files=tuple(sorted(files, key=lambda file: file.path)),
            replaced=tuple(sorted(self._replaced(commit))),
            moves=tuple(moves),
            links=linked_by(commit.tables.get("gaugings")),
            counts=dict(commit.counts),
            made_from=commit.made_from,
        )

    def _software(self) -> dict[str, str]:
        """Name the software and the policy it ships with, in full wherever it is not that of the entry before."""
        software = {"name": "stillwell", "version": self.software_version}
        if self.rules > 1:
            software["rules"] = str(self.rules)
        if self.policy_text:
            software["policy"] = sha256(self.policy_text.encode())
            head = self._ledger.head()
            if head is None or head.software.get("policy") != software["policy"]:
                software["policy_text"] = self.policy_text
        return software

    def _replaced(self, commit: Commit) -> Sequence[str]:
        unknown = sorted(set(commit.replaced) - set(self._ledger.live()))
        if unknown:
            msg = f"expected listed files to replace, found {', '.join(unknown)}; nothing was written"
            raise ArchiveError(msg)
        return commit.replaced


def _notes(commit: Commit) -> tuple[Mapping[str, Any], ...]:
    """Say of each deposit, in the order handed in, what it is and what the caller notes of it."""
    notes = {note["deposit"]: dict(note) for note in commit.deposit_notes}
    about = {d.digest: {"deposit": d.digest, "name": d.name, "kind": d.kind} for d in commit.deposits}
    unknown = sorted(set(notes) - set(about))
    if unknown:
        msg = f"expected notes on the commit's deposits, found others: {', '.join(unknown)}; nothing written"
        raise ArchiveError(msg)
    return tuple(own | notes.get(digest, {}) for digest, own in about.items())


def _check_place(root: Path, create: bool) -> None:
    if not root.exists():
        if create:
            return
        msg = f"expected an archive in {root}, found nothing there; nothing was written"
        raise NotAnArchive(msg)
    if not root.is_dir():
        msg = f"expected a folder at {root}, found a file; nothing was written"
        raise NotAnArchive(msg)
    inside = {path.name for path in root.iterdir()} - {WORK}
    if inside and LEDGER not in inside and not (root / LOCK).exists():
        names = ", ".join(sorted(inside)[:5])
        msg = f"expected an archive or an empty folder in {root}, found {names}; nothing was written"
        raise NotAnArchive(msg)


def _refuse_headless(root: Path, ledger: Ledger) -> None:
    """Refuse to begin anew where an archive once stood and its ledger is gone."""
    if ledger.head_number() or (root / INTENT).exists():
        return
    # sealed bytes alone may be those of a first commit that died, which are kept
    left = [name for name in (TABLES, README, *DOCUMENTS) if (root / name).exists()]
    if left:
        msg = f"expected a ledger beside {', '.join(left)} in {root}, found none; nothing was written"
        raise ArchiveDamaged(msg)
