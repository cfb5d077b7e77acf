"""Prove commits, each alone and in any order: its deposits are taken again and every row is compared.

A commit itself is not separable.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

import pandas as pd

from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import AtCommit
from stillwell.archive.batches.site_batches import rows_at, site_batches
from stillwell.archive.care.rows_accounted import TAKES_IN
from stillwell.archive.disk.layout import entry_path
from stillwell.archive.ledger.chain import Entry
from stillwell.archive.ledger.entries import shipped_policies
from stillwell.archive.revisions.snapshot import EveryRow
from stillwell.errors import Withheld
from stillwell.pipeline import compare
from stillwell.pipeline.compare import Recorded, Rounded, compared, compared_by_lots, judged_by_another, unlike
from stillwell.pipeline.derive import REASON as DERIVED
from stillwell.pipeline.derive import RECOMPUTED, sites_of
from stillwell.pipeline.ingest import map_used, taken_again
from stillwell.prepare import CommitContext, prepare
from stillwell.prepare.commits_together import MADE, THE_SAME, Several, together
from stillwell.prepare.recompute import anew
from stillwell.prepare.records import derived
from stillwell.prepare.watermarks import marks_unlike
from stillwell.reading.policy import default_policy_text, policy_in_force
from stillwell.shared_types import Fault

TOGETHER = 1_000
"""Commits proved together, at most."""
TOGETHER_ROWS = 2**18
"""Rows of commits proved together, with those they are held beside; one with more is proved alone."""

DERIVING = 4
"""About as many rows are taken in while one is derived."""


@dataclass(frozen=True)
class Proved:
    """What the proof of one commit came to."""

    number: int
    faults: tuple[Fault, ...] = ()
    unproved: str = ""
    """Why its rows were not computed again; empty where they were."""
    rounded: int = 0
    """Numbers computed again that are the same as stored only to rounding."""


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
        self._registers = sorted({moment for table, moment in recorded if table in THE_SAME})
        self._taken = Counter(str(note["deposit"]) for entry in entries for note in entry.deposits)
        self._gaugings = rows_at(archive, "gaugings")
        self._stage = rows_at(archive, "stage")

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
        rounded = Rounded()
        if not entry.deposits:
            faults = tuple(self._follows(entry, before, text, rounded))
            return Proved(number, faults, rounded=rounded[number])
        try:
            deposits, used, understood = taken_again(self._archive, entry)
        except Withheld:
            return Proved(number, (), "rests on withheld content")
        policy = policy_in_force(before, understood, text, self._newest)
        context = CommitContext(number, entry.recorded_at, entry.by, __version__, *policy, used, entry.rules)
        again = prepare(before, deposits, understood, context).tables
        faults = tuple(compared(entry, self._history, self._recorded, again, rounded))
        return Proved(number, faults, rounded=rounded[number])

    def prove_lot(self, numbers: Sequence[int]) -> list[Proved]:
        """Prove the commits of a lot that ``lots`` made; what is found of each is what ``prove`` finds.

        Parameters
        ----------
        numbers : sequence of int

        Returns
        -------
        list of Proved
            In their order.
        """
        sound = self._sound(numbers) if len(numbers) > 1 else {}
        return [sound[number] if number in sound else self.prove(number) for number in numbers]

    def lots(self, numbers: Sequence[int], most: int = TOGETHER) -> Iterator[list[int]]:
        """Put commits that may be proved together into lots; any other is a lot of its own.

        Parameters
        ----------
        numbers : sequence of int
            In the order in which they matter.
        most : int, optional
            Commits of a lot, at most.

        Yields
        ------
        list of int
        """
        open_lots: dict[tuple[Any, ...], list[int]] = {}
        sizes: Counter[tuple[Any, ...]] = Counter()
        for number in numbers:
            kind = self._kind(self._entries[number])
            if kind is None:
                yield [number]
                continue
            lot = open_lots.setdefault(kind, [])
            lot.append(number)
            sizes[kind] += self._size(self._entries[number])
            if len(lot) >= most or sizes[kind] > TOGETHER_ROWS:
                yield open_lots.pop(kind)
                del sizes[kind]
        yield from open_lots.values()

    def cost(self, numbers: Sequence[int]) -> int:
        """Estimate what proving commits of a lot costs, as a number of rows taken in."""
        entries = [self._entries[number] for number in numbers]
        return sum((1 if one.deposits else DERIVING) * file.rows for one in entries for file in one.files)

    def _kind(self, entry: Entry) -> tuple[Any, ...] | None:
        """Say what commits proved together must have in common; None for one that is proved alone."""
        deposits = [str(note["deposit"]) for note in entry.deposits]
        plain = entry.reason == TAKES_IN and entry.shipped_policy and {f.table for f in entry.files} <= {"", *MADE}
        if not plain or not deposits or self._size(entry) > TOGETHER_ROWS or any(map(self._alone, deposits)):
            return None
        used = map_used(entry)
        if used and self._archive.sealed.withheld(used):
            return None
        before = bisect_left(self._registers, pd.Timestamp(entry.recorded_at))
        return before, entry.rules, entry.shipped_policy, entry.software.get("version") == __version__, used

    def _alone(self, deposit: str) -> bool:
        """Whether a deposit was taken by several commits, or its content is withheld."""
        return self._taken[deposit] > 1 or self._archive.sealed.withheld(deposit)

    def _size(self, entry: Entry) -> int:
        """Count the rows a commit wrote, and those of gaugings at its sites, which it is held beside."""
        sites = {site for file in entry.files if file.table == "gaugings" for site in file.sites}
        return sum(file.rows for file in entry.files) + sum(self._gaugings.get(site, 0) for site in sites)

    def _sound(self, numbers: Sequence[int]) -> dict[int, Proved]:
        """Take commits again together; of those whose rows are shown to be what they come to, the proof by number."""
        entries = [self._entries[number] for number in sorted(numbers)]
        text = self._shipped.get(entries[0].shipped_policy, self._newest)
        policy = policy_in_force(self._history.before(entries[0].recorded_at), None, text, self._newest)
        deposits, used, understood = taken_again(self._archive, *entries)
        context = [
            CommitContext(one.number, one.recorded_at, one.by, __version__, *policy, used, one.rules) for one in entries
        ]
        at = iter(deposits)
        parts = tuple(tuple(islice(at, len(entry.deposits))) for entry in entries)
        again, fit = together(self._history, Several(tuple(context), parts, understood))
        fitting = [entry for entry in entries if entry.number in fit]
        if not fitting:
            return {}
        rounded = Rounded()
        sound = set(fit) - unlike(fitting, self._history, self._recorded, again, rounded)
        return {number: Proved(number, rounded=rounded[number]) for number in sound}

    def _follows(self, entry: Entry, before: AtCommit, text: str, rounded: Rounded) -> Iterator[Fault]:
        """Prove a commit without deposits: one that follows from what stood before it, or computes nothing."""
        if entry.reason not in (DERIVED, RECOMPUTED):
            return
        policy = policy_in_force(before, None, text, self._newest)
        context = CommitContext(entry.number, entry.recorded_at, entry.by, __version__, *policy, rules=entry.rules)
        if entry.reason == RECOMPUTED:
            yield from compared(entry, self._history, self._recorded, anew(before, context), rounded)
            return
        for sentence in marks_unlike(before, entry, context.policy_digest):
            yield Fault("recompute", entry_path(entry.number), sentence)
        # some sites at a time: what is derived again of a commit is never held together
        made = (
            (lot, derived(before, lot, context)) for lot in site_batches(sites_of(entry), self._stage, compare.AT_ONCE)
        )
        yield from compared_by_lots(entry, self._history, self._recorded, made, rounded)
