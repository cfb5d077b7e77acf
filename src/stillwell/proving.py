"""Prove commits, each alone and in any order: its deposits are taken again and every row is compared.

A commit itself is not separable. Processes that help are spawned, read the archive once, and get neighbouring commits.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.entries import shipped_policies
from stillwell.archive.history import StoredHistory
from stillwell.archive.layout import entry_path
from stillwell.archive.ledger import Entry
from stillwell.archive.snapshot import EveryRow, History
from stillwell.archive.workers import spawned
from stillwell.committing import default_policy_text
from stillwell.comparing import Recorded, compared, judged_by_another
from stillwell.deriving import REASON as DERIVED
from stillwell.deriving import RECOMPUTED, sites_of
from stillwell.errors import ProcessLost, Withheld
from stillwell.pipeline import taken_again
from stillwell.prepare import Circumstances, View, policy_in_force, prepare
from stillwell.prepare.again import anew
from stillwell.prepare.marks import marks_unlike
from stillwell.prepare.records import derived
from stillwell.records import Fault

MOST_LOT = 25
"""Commits a process proves before it says what it found."""


@dataclass(frozen=True)
class Proved:
    """What the proof of one commit came to."""

    number: int
    faults: tuple[Fault, ...] = ()
    unproved: str = ""
    """Why its rows were not computed again; empty where they were."""


_Task = tuple[Recorded, bool]
"""What a process needs beside the archive: the rows recorded, and whether they are few enough to be held."""


class Prover:
    """Proves commits of an archive, each alone.

    Parameters
    ----------
    archive : Archive
        Complete.
    entries : sequence of Entry
        All of them, in order.
    history : EveryRow
    recorded : mapping
        How many rows each commit recorded, wherever they lie, by table and moment.
    """

    def __init__(self, archive: Archive, entries: Sequence[Entry], history: EveryRow, recorded: Recorded) -> None:
        self._archive = archive
        self._entries = {entry.number: entry for entry in entries}
        self._shipped, self._newest = shipped_policies(entries), default_policy_text()
        self._history = history
        self._recorded = recorded

    def prove(self, number: int) -> Proved:
        """Take a commit again with the archive as it stood before it, and compare every row.

        Parameters
        ----------
        number : int
            Of its ledger entry.

        Returns
        -------
        Proved

        Raises
        ------
        ArchiveDamaged
            If a file it rests on is not as it was written.
        """
        entry = self._entries[number]
        before = self._history.before(entry.recorded_at)
        text = self._shipped.get(entry.shipped_policy, self._newest)
        if not entry.shipped_policy and judged_by_another(before, entry, self._history, text):
            return Proved(number, (), "was judged by a policy that an earlier version shipped and did not keep")
        if not entry.deposits:
            return Proved(number, tuple(self._follows(entry, before, text)))
        try:
            deposits, used, understood = taken_again(self._archive, entry)
        except Withheld:
            return Proved(number, (), "rests on withheld content")
        policy = policy_in_force(before, understood, text, self._newest)
        told = Circumstances(number, entry.recorded_at, entry.by, __version__, *policy, used, entry.rules)
        again = prepare(before, deposits, understood, told).tables
        return Proved(number, tuple(compared(entry, self._history, self._recorded, again)))

    def _follows(self, entry: Entry, before: View, text: str) -> Iterator[Fault]:
        """Prove a commit without deposits: one that follows from what stood before it, or computes nothing."""
        if entry.reason not in (DERIVED, RECOMPUTED):
            return
        policy = policy_in_force(before, None, text, self._newest)
        told = Circumstances(entry.number, entry.recorded_at, entry.by, __version__, *policy, rules=entry.rules)
        if entry.reason == RECOMPUTED:
            yield from compared(entry, self._history, self._recorded, anew(before, told))
            return
        for sentence in marks_unlike(before, entry, told.policy_digest):
            yield Fault("recompute", entry_path(entry.number), sentence)
        yield from compared(entry, self._history, self._recorded, derived(before, sites_of(entry), told))


def proofs(
    prover: Prover, root: Path, head: int, numbers: Sequence[int], processes: int, task: _Task
) -> Iterator[Proved]:
    """Prove commits as they are named; with processes to help, in whatever order they are done.

    Raises
    ------
    ProcessLost
        If a process that helped ended before it had said what it found.
    """
    if processes < 2:
        yield from (prover.prove(number) for number in numbers)
        return
    lots = _lots(numbers, processes)
    with spawned(min(processes, len(lots)), _open, (root, head, *task)) as pool:
        try:
            for done in as_completed([pool.submit(_prove_lot, lot) for lot in lots]):
                yield from done.result()
        except BrokenProcessPool as error:
            msg = (
                f"expected {processes} processes to prove {len(numbers)} commits, found that one ended before it was "
                "done, perhaps for want of memory; nothing was changed, and `--processes 0` proves without them"
            )
            raise ProcessLost(msg) from error


def _lots(numbers: Sequence[int], processes: int) -> list[list[int]]:
    """Part commits into lots of neighbours, several for each process, so that none waits long for another."""
    size = max(1, min(MOST_LOT, -(-len(numbers) // (4 * processes))))
    return [list(numbers[i : i + size]) for i in range(0, len(numbers), size)]


_OPENED: list[Prover] = []
"""The prover of a spawned process, opened once."""


def _open(root: Path, head: int, recorded: Recorded, few: bool) -> None:
    archive = Archive(root, complete=True, number=head)
    _OPENED.append(Prover(archive, archive.ledger.entries(), history_of(archive, few=few), recorded))


def _prove_lot(numbers: Sequence[int]) -> list[Proved]:
    return [_OPENED[0].prove(number) for number in numbers]


def history_of(archive: Archive, *, few: bool) -> EveryRow:
    """Read every row of an archive, or of one with too many have them read as they are needed."""
    return History({name: archive.read(name) for name in archive.tables()}) if few else StoredHistory(archive)
