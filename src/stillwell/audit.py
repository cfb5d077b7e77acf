"""Prove an archive: every digest, the chain, the sealed bytes, the schemas, and every number computed again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
from pandera.errors import SchemaErrors

from schemas import ARCHIVE_TABLES
from schemas.derive import key_names
from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.entries import shipped_policies
from stillwell.archive.fixity import file_faults, ledger_faults, sealed_faults, sealed_remarks, withheld_faults
from stillwell.archive.ledger import Entry
from stillwell.archive.netcdf_series import series_again
from stillwell.archive.netcdf_stage import stage_again
from stillwell.archive.rounds import next_part
from stillwell.archive.snapshot import History
from stillwell.deriving import REASON as DERIVED
from stillwell.deriving import RECOMPUTED, sites_of
from stillwell.errors import ArchiveDamaged, StillwellError, Withheld
from stillwell.fingerprint import sha256
from stillwell.pipeline import default_policy_text, taken_again
from stillwell.prepare import Circumstances, View, policy_in_force, prepare
from stillwell.prepare.again import anew
from stillwell.prepare.records import derived
from stillwell.records import AuditReport, Fault
from stillwell.rendering import rendered_again

Progress = Callable[[str, int, int], None]
SHOWN = 20
"""Differences named per table and commit; the count is always whole."""


class AuditFailed(StillwellError):
    """An audit found a fault; ``report`` says which."""

    def __init__(self, report: AuditReport) -> None:
        first = report.faults[0]
        super().__init__(f"{len(report.faults)} faults; the first: {first.path}: {first.sentence}")
        self.report = report


def raise_if_faulty(report: AuditReport) -> None:
    """Raise AuditFailed when a report holds a fault."""
    if report.faults:
        raise AuditFailed(report)


def audit(root: Path, *, recompute: bool = True, progress: Progress | None = None) -> AuditReport:
    """Look at everything an archive holds and say what is not as it was written.

    Parameters
    ----------
    root : Path
        The archive's folder; nothing in it is changed.
    recompute : bool
        Also take every commit's deposits again and compare each row with what is stored.
    progress : callable, optional

    Returns
    -------
    AuditReport

    Raises
    ------
    NotAnArchive
        If the folder is not an archive this version can read.
    """
    tell = progress or (lambda step, done, total: None)
    archive = Archive(root, complete=True)
    faults = [*ledger_faults(archive)]
    counts: dict[str, int] = {}
    unproved: dict[int, str] = {}
    if not faults:
        entries = archive.ledger.entries()
        tell("digests", 0, 3)
        counts |= {"commits in the chain": len(entries), "files listed": len(archive.ledger.live())}
        faults += file_faults(archive)
        tell("sealed deposits", 1, 3)
        counts |= {"deposits sealed": len(archive.sealed.digests())}
        faults += [*sealed_faults(archive), *withheld_faults(archive)]
        tell("schemas", 2, 3)
        tables, broken = _read_all(archive)
        faults += [*broken, *_schema_faults(tables)]
        counts |= {"rows held against their schemas": sum(len(rows) for rows in tables.values())}
        if not broken:
            office = policy_in_force(archive, None, default_policy_text())[0].office
            faults += [*rendered_again(archive, office), *series_again(archive, office)]
            faults += stage_again(archive, office)
        counts |= {"NetCDF files rendered again": sum(path.startswith("netcdf/") for path in archive.listing())}
        if recompute and not broken and not any(f.kind == "sealed" for f in faults):
            whole = sum(len(rows) for rows in tables.values())
            history = History(tables)
            del tables  # an archive's rows are held once
            faults += _recompute_faults(archive, entries, history, unproved, tell)
            left = (entry.recorded_at for entry in entries if entry.number in unproved)
            out = sum(len(history.recorded_at(name, moment)) for moment in left for name in history.tables())
            counts |= {"rows computed again": whole - out}
    remarks = [] if faults else sealed_remarks(archive)
    remarks += [f"commit {n} {why}; its rows were not computed again" for n, why in unproved.items()]
    return AuditReport(str(root), datetime.now(UTC), counts, tuple(faults), tuple(remarks))


def audit_part(root: Path, budget: int, now: datetime | None = None) -> AuditReport:
    """Look at the chain, and at the digests of what was looked at longest ago, as far as a budget goes.

    Parameters
    ----------
    root : Path
        When each object was found good is noted in its work folder.
    budget : int
        Bytes to read.
    now : datetime, optional

    Returns
    -------
    AuditReport

    Raises
    ------
    NotAnArchive
        If the folder is not an archive this version can read.
    """
    moment = now or datetime.now(UTC)
    archive = Archive(root, complete=True)
    faults = [*ledger_faults(archive)]
    counts: dict[str, int] = {}
    remarks: list[str] = []
    if not faults:
        counts["commits in the chain"] = archive.ledger.head_number()
        found, looked, oldest = next_part(archive, budget, moment)
        faults += found
        counts |= looked
        remarks.append(f"every object was found good since {oldest}" if oldest else "the first round is not over yet")
    return AuditReport(str(root), moment, counts, tuple(faults), tuple(remarks))


def _read_all(archive: Archive) -> tuple[dict[str, pd.DataFrame], list[Fault]]:
    tables, faults = {}, []
    for name in archive.tables():
        try:
            tables[name] = archive.read(name)
        except ArchiveDamaged as error:
            faults.append(Fault("table", f"tables/{name}", str(error)))
    return tables, faults


def _schema_faults(tables: dict[str, pd.DataFrame]) -> Iterator[Fault]:
    for name, rows in tables.items():
        try:
            ARCHIVE_TABLES[name].validate(rows, lazy=True)
        except SchemaErrors as error:
            for case in error.failure_cases.drop_duplicates(["column", "check"]).itertuples():
                sentence = f"column {case.column}: expected {case.check}, found {case.failure_case!r}"
                yield Fault("schema", f"tables/{name}", sentence)


def _recompute_faults(
    archive: Archive, entries: list[Entry], history: History, unproved: dict[int, str], tell: Progress
) -> Iterator[Fault]:
    """Take each commit again with the archive as it stood before it, and compare every row."""
    shipped, newest = shipped_policies(entries), default_policy_text()
    for number, entry in enumerate(entries):
        tell("computing again", number, len(entries))
        before = history.before(entry.recorded_at)
        text = shipped.get(entry.shipped_policy, newest)
        if not entry.shipped_policy and _judged_by_another(before, entry, history, text):
            unproved[entry.number] = "was judged by a policy that an earlier version shipped and did not keep"
            continue
        if not entry.deposits:
            policy = policy_in_force(before, None, text, newest)
            told = Circumstances(entry.number, entry.recorded_at, entry.by, __version__, *policy)
            if entry.reason == DERIVED:
                yield from _compared(entry, history, derived(before, sites_of(entry), told))
            elif entry.reason == RECOMPUTED:
                yield from _compared(entry, history, anew(before, told))
            continue
        try:
            deposits, used, understood = taken_again(archive, entry)
        except Withheld:
            unproved[entry.number] = "rests on withheld content"
            continue
        policy = policy_in_force(before, understood, text, newest)
        told = Circumstances(entry.number, entry.recorded_at, entry.by, __version__, *policy, used)
        again = prepare(before, deposits, understood, told).tables
        yield from _compared(entry, history, again)


def _judged_by_another(before: View, entry: Entry, history: History, text: str) -> bool:
    """Say whether an office without a policy of its own had its rows judged by another than the one shipped now."""
    if len(before.standing("policies")):
        return False
    rows = {name: history.recorded_at(name, entry.recorded_at) for name in history.tables()}
    digests = {digest for one in rows.values() if "policy_digest" in one for digest in one["policy_digest"]}
    own = {sha256(one.encode()) for one in rows["policies"]["text"]} if "policies" in rows else set()
    return bool(digests - own - {sha256(text.encode())})


def _compared(entry: Entry, history: History, again: Mapping[str, pd.DataFrame]) -> Iterator[Fault]:
    known = history.tables()
    for name in sorted({*again, *known}):
        stored = history.recorded_at(name, entry.recorded_at) if name in known else pd.DataFrame()
        yield from _differences(name, entry, stored, again.get(name, stored.iloc[:0]))


def _differences(name: str, entry: Entry, stored: pd.DataFrame, again: pd.DataFrame) -> Iterator[Fault]:
    where = f"tables/{name} commit {entry.number}"
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
