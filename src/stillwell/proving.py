"""Prove commits, each alone and in any order: its deposits are taken again and every row is compared.

A commit itself is not separable. Processes that help are spawned, read the archive once, and get neighbouring commits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pandas as pd

from schemas import ARCHIVE_TABLES
from schemas.derive import key_names
from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.entries import shipped_policies, utc_text
from stillwell.archive.history import StoredHistory
from stillwell.archive.ledger import Entry
from stillwell.archive.proofs import PLACE, in_turn, keep, kept, software, statements
from stillwell.archive.shelf import Shelf
from stillwell.archive.snapshot import EveryRow, History
from stillwell.archive.workers import spawned
from stillwell.committing import default_policy_text
from stillwell.deriving import REASON as DERIVED
from stillwell.deriving import RECOMPUTED, sites_of
from stillwell.errors import ProcessLost, Withheld
from stillwell.fingerprint import sha256
from stillwell.pipeline import taken_again
from stillwell.prepare import Circumstances, View, policy_in_force, prepare
from stillwell.prepare.again import anew
from stillwell.prepare.records import derived
from stillwell.records import Fault

SHOWN = 20
"""Differences named per table and commit; the count is always whole."""
MOST_LOT = 25
"""Commits a process proves before it says what it found."""

Recorded = Mapping[tuple[str, pd.Timestamp], int]
"""Rows by table and moment of their commit."""


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
        if not entry.shipped_policy and _judged_by_another(before, entry, self._history, text):
            return Proved(number, (), "was judged by a policy that an earlier version shipped and did not keep")
        try:
            again = self._again(entry, before, text)
        except Withheld:
            return Proved(number, (), "rests on withheld content")
        return Proved(number, () if again is None else tuple(self._compared(entry, again)))

    def _again(self, entry: Entry, before: View, text: str) -> Mapping[str, pd.DataFrame] | None:
        """Make the rows of a commit again; None for one that computes none."""
        if entry.deposits:
            deposits, used, understood = taken_again(self._archive, entry)
            policy = policy_in_force(before, understood, text, self._newest)
            told = Circumstances(entry.number, entry.recorded_at, entry.by, __version__, *policy, used, entry.rules)
            return prepare(before, deposits, understood, told).tables
        if entry.reason not in (DERIVED, RECOMPUTED):
            return None
        policy = policy_in_force(before, None, text, self._newest)
        told = Circumstances(entry.number, entry.recorded_at, entry.by, __version__, *policy, rules=entry.rules)
        return derived(before, sites_of(entry), told) if entry.reason == DERIVED else anew(before, told)

    def _compared(self, entry: Entry, again: Mapping[str, pd.DataFrame]) -> Iterator[Fault]:
        """Compare what a commit recorded with what it comes to again."""
        listed = _listed(entry)
        for name in sorted({*again, *listed}):
            looked = 0
            for stored, made in _pairs(entry, self._history, name, listed.get(name, []), again):
                looked += len(stored)
                yield from _differences(name, entry, stored, made)
            elsewhere = self._recorded.get((name, pd.Timestamp(entry.recorded_at)), 0) - looked
            if elsewhere:
                expected = "expected every row of the commit at the sites it lists"
                yield Fault("recompute", _where(name, entry), f"{expected}, found {elsewhere} at others")


class KeptProofs:
    """Which commits are proved and since when, as the work folder keeps it.

    Parameters
    ----------
    archive : Archive
    entries : sequence of Entry
        All of them, in order.
    """

    def __init__(self, archive: Archive, entries: Sequence[Entry]) -> None:
        self._root = archive.root
        self._wanted = statements(archive, entries, software())
        self._since = kept(archive.root, self._wanted)

    def in_turn(self) -> list[int]:
        """Order commits: those never proved first, newest first, then those proved longest ago."""
        return in_turn(self._wanted, self._since)

    def added(self, done: Iterable[Proved], moment: datetime) -> str:
        """Keep what was proved just now, without what was found faulty, and say how much is proved in all."""
        for proved in done:
            self._since.pop(proved.number, None)
            if not proved.faults and not proved.unproved:
                self._since[proved.number] = utc_text(moment)
        since = f", all since {min(self._since.values())}" if self._since else ""
        words = f"{len(self._since)} of {len(self._wanted)} commits are proved{since}"
        try:
            keep(self._root, self._wanted, self._since)
        except OSError as error:
            return f"{words}; the proofs could not be kept in {PLACE}: {error.strerror}"
        return words


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


def _judged_by_another(before: View, entry: Entry, history: EveryRow, text: str) -> bool:
    """Say whether an office without a policy of its own had its rows judged by another than the one shipped now."""
    if len(before.standing("policies")):
        return False
    listed = _listed(entry)
    rows = {name: history.recorded_at(name, entry.recorded_at, sites) for name, sites in listed.items()}
    digests = {digest for one in rows.values() if "policy_digest" in one for digest in one["policy_digest"]}
    own = {sha256(one.encode()) for one in rows["policies"]["text"]} if "policies" in rows else set()
    return bool(digests - own - {sha256(text.encode())})


def _listed(entry: Entry) -> dict[str, list[str]]:
    """Name the tables a commit wrote to, and the sites of each."""
    found: dict[str, set[str]] = {}
    for file in entry.files:
        if file.table:
            found.setdefault(file.table, set()).update(file.sites)
    return {name: sorted(sites) for name, sites in found.items()}


def _pairs(
    entry: Entry, history: EveryRow, name: str, sites: list[str], again: Mapping[str, pd.DataFrame]
) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Pair the rows of a table that a commit recorded with those it comes to again, site by site where it is large."""
    moment = entry.recorded_at
    if isinstance(again, Shelf) and name in again.files:
        for site in sorted({*sites, *again.sites(name)}):
            yield history.recorded_at(name, moment, [site]), again.rows(name, [site])
        return
    stored = history.recorded_at(name, moment, sites) if name in history.tables() else pd.DataFrame()
    yield stored, again.get(name, stored.iloc[:0])


def _where(name: str, entry: Entry) -> str:
    return f"tables/{name} commit {entry.number}"


def _differences(name: str, entry: Entry, stored: pd.DataFrame, again: pd.DataFrame) -> Iterator[Fault]:
    where = _where(name, entry)
    if len(stored) != len(again):
        yield Fault("recompute", where, f"expected {len(again)} rows computed again, found {len(stored)} stored")
        return
    if stored.empty:
        return
    ignored = {"software_version"} if entry.software.get("version") != __version__ else set()
    order = [*key_names(ARCHIVE_TABLES[name])] + (["revision"] if "revision" in stored else [])
    left = stored.sort_values(order, kind="stable").reset_index(drop=True)
    right = again.sort_values(order, kind="stable").reset_index(drop=True)
    for column in (c for c in right.columns if c not in ignored):
        a, b = left[column], right[column]
        if a.equals(b):
            continue
        differs = ~((a == b).fillna(False).astype("bool") | (a.isna() & b.isna()))
        for i in differs[differs].index[:SHOWN]:
            row = ", ".join(f"{k} {left.loc[i, k]}" for k in order)
            sentence = f"{row}: expected {column} {b[i]!r} as computed again, found {a[i]!r} stored"
            yield Fault("recompute", where, sentence, {"differing rows": str(int(differs.sum()))})
