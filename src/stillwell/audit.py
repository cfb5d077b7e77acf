"""Prove an archive: every digest, the chain, the sealed bytes, the schemas, and every number computed again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence, Set
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic

import pandas as pd
from pandera.errors import SchemaErrors

from schemas import ARCHIVE_TABLES
from stillwell.archive.accounts import accounts
from stillwell.archive.archive import Archive
from stillwell.archive.clock import clock_remarks
from stillwell.archive.fixity import (
    IRREGULAR,
    file_faults,
    ledger_faults,
    opened,
    sealed_faults,
    sealed_remarks,
    withheld_faults,
)
from stillwell.archive.history import StoredHistory
from stillwell.archive.ledger import Entry
from stillwell.archive.netcdf_compare import netcdf_faults
from stillwell.archive.outputs import behind, behind_words, outputs
from stillwell.archive.portions import portions, rows_at
from stillwell.archive.proofs import KeptProofs
from stillwell.archive.rounds import next_part
from stillwell.archive.snapshot import EveryRow, HeldArchive, History
from stillwell.archive.twins import twin_remarks
from stillwell.archive.unfinished import unfinished_remarks
from stillwell.archive.witness import read_witness, witness_faults
from stillwell.committing import office_of
from stillwell.errors import ArchiveDamaged
from stillwell.proving import Proved, Prover, proofs
from stillwell.records import AuditReport, Fault

Progress = Callable[[str, int, int], None]
MOST_ROWS = 2_000_000
"""Rows of an archive up to which all are held while it is proved; of a larger one they are read as they are needed."""
IN_TIME = 32
"""Commits proved together, at most, where a time is set: what was begun is ended."""
PORTION = 500_000
"""Rows of a larger archive read at a time to be held against their schema."""


def audit(
    root: Path,
    *,
    recompute: bool = True,
    progress: Progress | None = None,
    now: datetime | None = None,
    witnesses: Sequence[Path] = (),
    processes: int = 0,
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
        Processes that share the computing; with fewer than 2 the caller does all. What is found does not depend on it.
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
        If a process that shared the computing ended before it was done.
    """
    tell = progress or (lambda step, done, total: None)
    moment = now or datetime.now(UTC)
    archive = opened(root)
    faults = [*ledger_faults(archive)]
    remarks: list[str] = []
    counts: dict[str, int] = {}
    told = _Told(archive, counts, remarks, moment, processes, minutes, keep)
    if not faults:
        entries = archive.ledger.entries()
        remarks += clock_remarks(moment, entries[-1].recorded_at)
        faults += _witness_faults(archive, witnesses, counts, remarks)
        tell("digests", 0, 3)
        counts |= {"commits in the chain": len(entries), "files listed": len(archive.ledger.live())}
        faults += file_faults(archive)
        tell("sealed deposits", 1, 3)
        counts |= {"deposits sealed": len(archive.sealed.digests())}
        faults += sealed_faults(archive)
        # rows behind a link are not the archive's, and a pipe would be waited for
        if not any(IRREGULAR in fault.details for fault in faults):
            faults += withheld_faults(archive)
            proved = recompute and not any(fault.kind == "sealed" for fault in faults)
            damaged = {fault.path for fault in faults if fault.kind == "file"}
            faults += _row_faults(archive, entries, told, tell, damaged, proved=proved)
        remarks += unfinished_remarks(archive)
    remarks += [] if faults else [*sealed_remarks(archive), *twin_remarks(told.archive)]
    remarks += [f"commit {n} {why}; its rows were not computed again" for n, why in told.unproved.items()]
    return AuditReport(str(root), moment, counts, tuple(faults), tuple(remarks), told.rounded)


@dataclass
class _Told:
    """What an audit says beside its faults."""

    archive: Archive
    """The archive, its rows at hand once they are read, where there are not too many."""
    counts: dict[str, int]
    remarks: list[str]
    moment: datetime
    processes: int = 0
    minutes: float | None = None
    keep: bool = False
    not_reached: set[int] = field(default_factory=set)
    unproved: dict[int, str] = field(default_factory=dict)
    """Why rows of commits were not computed again, by number."""
    rounded: int = 0
    """Numbers computed again that are the same as stored only to rounding."""


def _row_faults(
    archive: Archive, entries: list[Entry], told: _Told, tell: Progress, damaged: Set[str], *, proved: bool
) -> list[Fault]:
    """Hold every row against its schema, its commit, NetCDF files and, where asked for, against one made again.

    A table that cannot be read is a fault unless one of its files is among the ``damaged``, which have their own.
    """
    tell("schemas", 2, 3)
    held = _read_all(archive, sound=not damaged)
    named = {"/".join(path.split("/")[:2]) for path in damaged}
    faults = [*(fault for fault in held.broken if fault.path not in named), *held.unlike]
    told.counts["rows held against their schemas"] = held.recorded.total()
    if held.broken:
        return faults
    told.archive = HeldArchive(archive, held.history) if isinstance(held.history, History) else archive
    accounted = accounts(archive, entries, held.recorded)
    faults += accounted.faults
    faults += _netcdf_faults(told)
    if proved:
        faults += _recompute_faults(archive, entries, held, told, accounted.row_for_row, tell)
        out_of_it = told.unproved.keys() | told.not_reached
        left = {pd.Timestamp(entry.recorded_at) for entry in entries if entry.number in out_of_it}
        out = sum(count for (_, moment), count in held.recorded.items() if moment in left)
        told.counts["rows computed again"] = held.recorded.total() - out
    return faults


def _netcdf_faults(told: _Told) -> Iterator[Fault]:
    """Hold NetCDF files that are not behind against the rows; those behind are proved by their digests alone."""
    archive, office = told.archive, office_of(told.archive)
    late = list(behind(archive, office))
    paths = {one.path for one in late}
    wanted = [output for output in outputs(archive, office) if output.path not in paths]
    told.counts.update({"NetCDF files rendered again": len(wanted), "NetCDF files behind": len(late)})
    told.remarks.extend([behind_words(late)] if late else [])
    yield from netcdf_faults(archive, wanted, office)


def _witness_faults(
    archive: Archive, witnesses: Sequence[Path], counts: dict[str, int], remarks: list[str]
) -> list[Fault]:
    """Hold the chain against files of witness lines; a file without any is a fault, a line that is none a remark."""
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
        found, looked, oldest = next_part(archive, budget, moment)
        faults += found
        counts |= looked
        remarks += unfinished_remarks(archive)
        faults += _behind_part(archive, faults, remarks)
        remarks.append(f"every object was found good since {oldest}" if oldest else "the first round is not over yet")
    return AuditReport(str(root), moment, counts, tuple(faults), tuple(remarks))


def _behind_part(archive: Archive, faults: Sequence[Fault], remarks: list[str]) -> list[Fault]:
    """Remark on NetCDF files that are behind; a fault where a file that tells is damaged and not named yet."""
    try:
        if late := list(behind(archive, office_of(archive))):
            remarks.append(behind_words(late))
    except ArchiveDamaged as error:
        named = any(fault.path in str(error) for fault in faults)
        return [] if named else [Fault("table", "tables", str(error))]
    return []


@dataclass(frozen=True)
class _Held:
    """What reading every row of an archive came to."""

    history: EveryRow
    recorded: Counter[tuple[str, pd.Timestamp]]
    """Rows by table and moment of their commit."""
    broken: list[Fault]
    unlike: list[Fault]
    """What is not as its schema says."""


def _read_all(archive: Archive, *, sound: bool) -> _Held:
    """Read every row and hold it against its schema; kept at hand where there are not too many.

    Where not every file is ``sound``, page checksums tell which rows can be read.
    """
    few = sum(file.rows for name in archive.tables() for file in archive.table_files(name)) <= MOST_ROWS
    tables: dict[str, pd.DataFrame] = {}
    broken: list[Fault] = []
    unlike: list[Fault] = []
    recorded: Counter[tuple[str, pd.Timestamp]] = Counter()
    for name in archive.tables():
        for sites in [None] if few else _portions(archive, name):
            try:
                rows = archive.read_proved(name) if few and sound else archive.read(name, sites)
            except ArchiveDamaged as error:
                broken.append(Fault("table", f"tables/{name}", str(error)))
                continue
            unlike += _schema_faults(name, rows)
            moments = rows["recorded_at"].value_counts()
            recorded.update({(name, moment): int(n) for moment, n in zip(moments.index, moments, strict=True)})
            if few:
                tables[name] = rows
    return _Held(History(tables) if few else StoredHistory(archive), recorded, broken, unlike)


def _portions(archive: Archive, name: str) -> Iterator[list[str] | None]:
    """Part the sites of a table so that not many rows are read at a time; None for a table that knows no sites."""
    sizes = rows_at(archive, name)
    if "" in sizes or not sizes:
        yield None
    else:
        yield from portions(sorted(sizes), sizes, PORTION)


def _schema_faults(name: str, rows: pd.DataFrame) -> Iterator[Fault]:
    try:
        ARCHIVE_TABLES[name].validate(rows, lazy=True)
    except SchemaErrors as error:
        for case in error.failure_cases.drop_duplicates(["column", "check"]).itertuples():
            sentence = f"column {case.column}: expected {case.check}, found {case.failure_case!r}"
            yield Fault("schema", f"tables/{name}", sentence)


def _recompute_faults(
    archive: Archive, entries: list[Entry], held: _Held, told: _Told, row_for_row: Set[int], tell: Progress
) -> Iterator[Fault]:
    """Prove commits, as far as the time goes, and name the faults in the order of the ledger."""
    prover = Prover(archive, entries, held.history, held.recorded)
    kept = KeptProofs(archive, entries, row_for_row) if told.keep or told.minutes is not None else None
    numbers = [entry.number for entry in entries] if kept is None or told.minutes is None else kept.in_turn()
    until = None if told.minutes is None else monotonic() + 60 * told.minutes
    done: dict[int, Proved] = {}
    few = isinstance(held.history, History)
    most = None if until is None else IN_TIME
    task = held.recorded, few
    for lot in proofs(prover, archive.root, entries[-1].number, numbers, told.processes, task, most):
        done |= {proved.number: proved for proved in lot}
        tell("computing again", len(done), len(entries))
        if until is not None and monotonic() >= until:
            break
    told.unproved.update({number: done[number].unproved for number in sorted(done) if done[number].unproved})
    told.rounded = sum(proved.rounded for proved in done.values())
    told.not_reached.update(number for number in numbers if number not in done)
    if kept is not None:
        sound = {number for number, proved in done.items() if not proved.faults and not proved.unproved}
        told.remarks.append(kept.added(sound, done.keys() - sound, told.moment))
    for number in sorted(done):
        yield from done[number].faults
