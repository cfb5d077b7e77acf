"""Prove an archive: every digest, the chain, the sealed bytes, the schemas, and every number computed again."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence, Set
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import groupby
from math import inf
from pathlib import Path
from time import monotonic
from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.batches.site_batches import table_batches
from stillwell.archive.care.fixity import (
    IRREGULAR,
    file_faults,
    ledger_faults,
    opened,
    sealed_faults,
    sealed_remarks,
    withheld_faults,
)
from stillwell.archive.care.lookalike_codes import twin_remarks
from stillwell.archive.care.proofs import KeptProofs
from stillwell.archive.care.rolling_audit import next_part
from stillwell.archive.care.rows_accounted import accounts
from stillwell.archive.care.witness import read_witness, witness_faults
from stillwell.archive.ledger.chain import Entry
from stillwell.archive.ledger.clock import clock_remarks
from stillwell.archive.netcdf.outputs import behind, behind_words, outputs
from stillwell.archive.workers import Crew
from stillwell.archive.writing.unfinished import unfinished_remarks
from stillwell.errors import ArchiveDamaged
from stillwell.pipeline.audit_parts import Read, lookers
from stillwell.pipeline.committing import office_of
from stillwell.pipeline.prove import TOGETHER, Proved
from stillwell.shared_types import AuditReport, Fault

Progress = Callable[[str, int, int], None]
MOST_ROWS = 2_000_000
"""Rows of an archive up to which all are held while it is proved; of a larger one they are read as they are needed."""
IN_TIME = 32
"""Commits proved together, at most, where a time is set: what was begun is ended."""
SHARED_FROM = 150_000
"""Rows from which on the cores share an audit by default."""
PORTION = 500_000
"""Rows of a larger archive read at a time to be held against their schema."""


def audit(
    root: Path,
    *,
    recompute: bool = True,
    progress: Progress | None = None,
    now: datetime | None = None,
    witnesses: Sequence[Path] = (),
    processes: int | None = 0,
    minutes: float | None = None,
    keep: bool = False,
) -> AuditReport:
    """Look at everything an archive holds and say what is not as it was written.

    Parameters
    ----------
    root : Path
        The archive's folder; nothing in it is changed but the proofs kept in its work folder.
    recompute : bool
        Also take every commit's deposits again and compare each row with what is stored.
    progress : callable, optional
    now : datetime, optional
        The moment of the audit; by the computer's clock where not given.
    witnesses : sequence of Path
        Files of witness lines, kept elsewhere, that the chain is held against.
    processes : int
        Processes that share the work, the caller among them; with fewer than 2 it does all. None means as many as there
        are cores where that pays. What is found does not depend on it.
    minutes : float, optional
        Time for proving commits: those never proved first, newest first, then those proved longest ago; all where not
        given. Digests, schemas and NetCDF files are looked at whole.
    keep : bool
        Keep what was proved, and when, in the archive's work folder, as is always done with ``minutes``.

    Returns
    -------
    AuditReport

    Raises
    ------
    NotAnArchive
        If the folder is not an archive this version can read.
    OSError
        If a witness cannot be read.
    ProcessLost
        If a process that shared the work ended before it was done.
    """
    tell = progress or (lambda step, done, total: None)
    moment = now or datetime.now(UTC)
    archive = opened(root)
    faults = [*ledger_faults(archive)]
    remarks: list[str] = []
    counts: dict[str, int] = {}
    state = _AuditState(counts, remarks, moment, minutes, keep)
    looked: Archive = archive
    if not faults:
        entries = archive.ledger.entries()
        remarks += clock_remarks(moment, entries[-1].recorded_at)
        faults += _witness_faults(archive, witnesses, counts, remarks)
        rows = sum(file.rows for name in archive.tables() for file in archive.table_files(name))
        shared = _processes(rows) if processes is None else processes
        with lookers(archive, few=rows <= MOST_ROWS, processes=shared) as crew:
            faults += _byte_faults(archive, crew, state, tell)
            # rows behind a link are not the archive's, and a pipe would be waited for
            if not any(IRREGULAR in fault.details for fault in faults):
                faults += withheld_faults(archive)
                proved = recompute and not any(fault.kind == "sealed" for fault in faults)
                damaged = {fault.path for fault in faults if fault.kind == "file"}
                faults += _row_faults(archive, entries, crew, state, tell, damaged, proved=proved)
                looked = archive if faults else crew.own.archive
        remarks += unfinished_remarks(archive)
    remarks += [] if faults else [*sealed_remarks(archive), *twin_remarks(looked)]
    remarks += [f"commit {n} {why}; its rows were not computed again" for n, why in state.unproved.items()]
    return AuditReport(str(root), moment, counts, tuple(faults), tuple(remarks), state.rounded)


def _processes(rows: int) -> int:
    """Return how many processes share an audit by default; each costs some seconds and the rows once more in memory."""
    return (os.cpu_count() or 1) if SHARED_FROM <= rows <= MOST_ROWS else 0


def _shared(crew: Crew, work: str, things: Sequence[Any], sizes: Sequence[int] = ()) -> list[Fault]:
    """Have the faults of many things named, in the order of these."""
    return [fault for faults in crew.all(work, [(lot,) for lot in crew.lots(things, sizes)]) for fault in faults]


def _byte_faults(archive: Archive, crew: Crew, state: _AuditState, tell: Progress) -> list[Fault]:
    """Hold every byte against its digest, of listed files and of sealed deposits."""
    tell("digests", 0, 3)
    state.counts |= {"commits in the chain": archive.ledger.head_number(), "files listed": len(archive.ledger.live())}
    faults = file_faults(archive, lambda paths: _shared(crew, "files", paths))
    tell("sealed deposits", 1, 3)
    state.counts["deposits sealed"] = len(archive.sealed.digests())
    return [*faults, *sealed_faults(archive, lambda digests: _shared(crew, "sealed", digests))]


@dataclass
class _AuditState:
    """What an audit reports in addition to faults."""

    counts: dict[str, int]
    remarks: list[str]
    moment: datetime
    minutes: float | None = None
    keep: bool = False
    not_reached: set[int] = field(default_factory=set)
    unproved: dict[int, str] = field(default_factory=dict)
    """Why rows of commits were not computed again, by number."""
    rounded: int = 0
    """Numbers computed again that are the same as stored only to rounding."""


def _row_faults(
    archive: Archive,
    entries: list[Entry],
    crew: Crew,
    state: _AuditState,
    tell: Progress,
    damaged: Set[str],
    *,
    proved: bool,
) -> list[Fault]:
    """Hold every row against its schema, its commit, NetCDF files and, where asked for, against one made again.

    A table that cannot be read is a fault unless one of its files is among the ``damaged``, which have their own.
    """
    tell("schemas", 2, 3)
    parts = _parts_of_tables(archive)
    results: list[Read] = crew.all("read", [(*part, not damaged) for part in parts])
    read = [results[i] for i in sorted(range(len(parts)), key=lambda i: parts[i][0])]
    recorded = sum((one.recorded for one in read), Counter())
    named = {"/".join(path.split("/")[:2]) for path in damaged}
    broken = [fault for one in read for fault in one.broken]
    faults = [fault for fault in broken if fault.path not in named]
    faults += [fault for one in read for fault in one.unlike]
    state.counts["rows held against their schemas"] = recorded.total()
    if broken:
        return faults
    crew.own.tell(recorded)
    accounted = accounts(archive, entries, recorded)
    faults += accounted.faults
    faults += _netcdf_faults(crew, state)
    if proved:
        faults += _recompute_faults(archive, entries, crew, state, accounted.row_for_row, tell)
        out_of_it = state.unproved.keys() | state.not_reached
        left = {pd.Timestamp(entry.recorded_at) for entry in entries if entry.number in out_of_it}
        out = sum(count for (_, moment), count in recorded.items() if moment in left)
        state.counts["rows computed again"] = recorded.total() - out
    return faults


def _parts_of_tables(archive: Archive) -> list[tuple[str, list[str] | None]]:
    """Name the tables of an archive, largest first; of one with too many rows to be held, with some sites each."""
    sizes = {name: sum(file.rows for file in archive.table_files(name)) for name in archive.tables()}
    names = sorted(sizes, key=lambda name: (-sizes[name], name))
    if sum(sizes.values()) <= MOST_ROWS:
        return [(name, None) for name in names]
    return [(name, sites) for name in names for sites in table_batches(archive, name, PORTION)]


def _netcdf_faults(crew: Crew, state: _AuditState) -> list[Fault]:
    """Hold NetCDF files that are not behind against the rows; those behind are proved by their digests alone."""
    archive: Archive = crew.own.archive
    office = office_of(archive)
    late = list(behind(archive, office))
    paths = {one.path for one in late}
    wanted = [output for output in outputs(archive, office) if output.path not in paths]
    state.counts.update({"NetCDF files rendered again": len(wanted), "NetCDF files behind": len(late)})
    state.remarks.extend([behind_words(late)] if late else [])
    # a site's files are made of the same rows
    sites = [list(files) for _, files in groupby(wanted, key=lambda output: output.site)]
    listing = archive.listing()
    sizes = [sum(listing[one.path].size for one in files if one.path in listing) for files in sites]
    faults = _shared(crew, "netcdf", sites, sizes)
    place = {output.path: i for i, output in enumerate(wanted)}
    return sorted(faults, key=lambda fault: place[fault.path])


def _witness_faults(
    archive: Archive, witnesses: Sequence[Path], counts: dict[str, int], remarks: list[str]
) -> list[Fault]:
    """Hold the chain against files of witness lines; a file without any is a fault, an unreadable line a note."""
    digests, faults = archive.ledger.digests() if witnesses else [], []
    for path in witnesses:
        lines, unreadable = read_witness(path)
        remarks += unreadable
        counts["witness lines"] = counts.get("witness lines", 0) + len(lines)
        if not lines:
            faults.append(
                Fault("witness", str(path), "expected a line of a witness to hold the chain against, found none")
            )
        faults += witness_faults(digests, lines)
    return faults


def audit_part(root: Path, budget: int, now: datetime | None = None, witnesses: Sequence[Path] = ()) -> AuditReport:
    """Look at the chain, and at the digests of what was looked at longest ago, as far as a budget goes.

    Parameters
    ----------
    root : Path
        When each object was found good is noted in its work folder.
    budget : int
        Bytes to read.
    now : datetime, optional
    witnesses : sequence of Path
        As of ``audit``.

    Returns
    -------
    AuditReport

    Raises
    ------
    NotAnArchive
        If the folder is not an archive this version can read.
    """
    moment = now or datetime.now(UTC)
    archive = opened(root)
    faults = [*ledger_faults(archive)]
    counts: dict[str, int] = {}
    remarks: list[str] = []
    if not faults:
        counts["commits in the chain"] = archive.ledger.head_number()
        faults += _witness_faults(archive, witnesses, counts, remarks)
        remarks += clock_remarks(moment, archive.ledger.entry(archive.ledger.head_number()).recorded_at)
        new_faults, looked, oldest = next_part(archive, budget, moment)
        faults += new_faults
        counts |= looked
        remarks += unfinished_remarks(archive)
        faults += _behind_part(archive, faults, remarks)
        remarks.append(f"every object was found good since {oldest}" if oldest else "the first round is not over yet")
    return AuditReport(str(root), moment, counts, tuple(faults), tuple(remarks))


def _behind_part(archive: Archive, faults: Sequence[Fault], remarks: list[str]) -> list[Fault]:
    """Note NetCDF files that are behind; a fault where a file needed for that is damaged and not yet named."""
    try:
        if late := list(behind(archive, office_of(archive))):
            remarks.append(behind_words(late))
    except ArchiveDamaged as error:
        named = any(fault.path in str(error) for fault in faults)
        return [] if named else [Fault("table", "tables", str(error))]
    return []


def _recompute_faults(
    archive: Archive, entries: list[Entry], crew: Crew, state: _AuditState, row_for_row: Set[int], tell: Progress
) -> Iterator[Fault]:
    """Prove commits, as far as the time goes, and name the faults in the order of the ledger."""
    kept = KeptProofs(archive, entries, row_for_row) if state.keep or state.minutes is not None else None
    numbers = [entry.number for entry in entries] if kept is None or state.minutes is None else kept.in_turn()
    until = inf if state.minutes is None else monotonic() + 60 * state.minutes
    most = min(TOGETHER, crew.size(len(numbers))) if state.minutes is None else IN_TIME
    lots = crew.own.lots(numbers, most, dearest_first=state.minutes is None)
    done: dict[int, Proved] = {}
    for _, some in crew.each("prove", [(lot,) for lot in lots], lambda: monotonic() >= until):
        done |= {proved.number: proved for proved in some}
        tell("computing again", len(done), len(entries))
    state.unproved.update({number: done[number].unproved for number in sorted(done) if done[number].unproved})
    state.rounded = sum(proved.rounded for proved in done.values())
    state.not_reached.update(number for number in numbers if number not in done)
    if kept is not None:
        sound = {number for number, proved in done.items() if not proved.faults and not proved.unproved}
        state.remarks.append(kept.added(sound, done.keys() - sound, state.moment))
    for number in sorted(done):
        yield from done[number].faults
