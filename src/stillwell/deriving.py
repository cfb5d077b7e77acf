"""Records derived from the stage, ratings and shifts that stand, and committed: a commit without deposits."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.layout import README
from stillwell.archive.ledger import Entry
from stillwell.archive.lock import WAIT_S
from stillwell.archive.netcdf_series import series_files
from stillwell.archive.portions import portions, rows_at
from stillwell.archive.provenance import provenance_path
from stillwell.archive.provenance_derived import derivation_provenance
from stillwell.archive.readme import archive_readme, schema_documents
from stillwell.archive.sources import sources
from stillwell.archive.writer import Commit, Writer
from stillwell.errors import QueryError
from stillwell.pipeline import circumstances, default_policy_text, utc_now, writing
from stillwell.prepare import Circumstances, Prepared, policy_in_force
from stillwell.prepare.again import anew
from stillwell.prepare.inputs import InputView
from stillwell.prepare.records import TABLES, derived, lacking, recorded_sites
from stillwell.prepare.rows import recorded
from stillwell.rendering import documents, renderings

REASON = "derive"
"""What the ledger entry of a derivation gives as its reason."""


AT_ONCE = 2_000_000
"""Recorded values whose records are derived in one commit; more sites than that hold go into several."""


ROUNDS = 3
"""How often a site is derived before the lock is taken; one whose inputs change each time is derived under it then."""


def derive(
    root: Path,
    sites: Sequence[str] | None = None,
    *,
    by: str = "unnamed",
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
) -> tuple[Entry | None, dict[str, pd.DataFrame]]:
    """Derive the records of sites and commit what changed; ``derivations`` with all its rows together.

    Parameters
    ----------
    root : Path
    sites : sequence of str, optional
        All that have stage and a rating where not given.
    by : str
    now : callable
    wait_s : float
        Seconds to wait while another writer is at work.

    Returns
    -------
    Entry or None
        The last commit; None where nothing changed.
    dict of str to DataFrame
        The rows that are new.

    Raises
    ------
    QueryError
        If a site named has no stage or no rating.
    ArchiveLocked
        If another writer is at work for longer than that.
    """
    entry: Entry | None = None
    parts: dict[str, list[pd.DataFrame]] = {}
    for entry, tables in derivations(root, sites, by=by, now=now, wait_s=wait_s):  # noqa: B007 - the last one is wanted
        for name, rows in tables.items():
            parts.setdefault(name, []).append(rows)
    return entry, {name: pd.concat(rows, ignore_index=True) for name, rows in parts.items()}


def derivations(
    root: Path,
    sites: Sequence[str] | None = None,
    *,
    by: str = "unnamed",
    now: Callable[[], datetime] = utc_now,
    at_once: int = AT_ONCE,
    wait_s: float = WAIT_S,
) -> Iterator[tuple[Entry, dict[str, pd.DataFrame]]]:
    """Derive the records of sites, some at a time, and commit what changed of each lot before the next.

    The work is done before the lock is taken, and the lock only where something changed. Under it the rows of a site
    whose inputs have changed since are dropped, and the site is derived again.

    Parameters
    ----------
    root, sites, by, now, wait_s
        As of ``derive``.
    at_once : int
        Recorded values in one lot, at most; a site is never parted.

    Yields
    ------
    Entry
        A commit; there is none for a lot in which nothing changed.
    dict of str to DataFrame
        Its rows; emptied before the next lot is derived, so that two are never held.
    """
    archive = Archive(root, complete=True)
    known = recorded_sites(archive)
    missing = sorted(set(sites or ()) - set(known))
    if missing:
        found = "; ".join(f"{site}: {lacking_words(lacking(archive, site))}" for site in missing)
        msg = f"expected sites with recorded stage and a rating, found {found}; nothing was derived"
        raise QueryError(msg)
    wanted = sorted(set(sites)) if sites else known
    for lot in portions(wanted, rows_at(archive, "stage", wanted), at_once):
        left, rounds = lot, 0
        while left:
            made = _ahead(root, left, by, now()) if rounds < ROUNDS else {}
            rounds += 1
            if made and not any(one.tables for one in made.values()):
                break
            with writing(root, by=by, now=now, create=False, wait_s=wait_s) as writer:
                told = circumstances(writer, None)
                tables, left = _fitting(writer, told, left, made)
                entry = writer.commit(derivation(writer, told, tables)) if tables else None
            made.clear()
            if entry is not None:
                yield entry, tables
            tables.clear()


def left_out(root: Path) -> list[dict[str, Any]]:
    """List the known sites of which no record is derived, and why.

    Returns
    -------
    list of dict
        ``site``, ``lacks`` (``stage``, ``ratings`` or both) and ``words``.
    """
    archive = Archive(root, complete=True)
    known = set(archive.standing("sites")["site"]) | {file.site for file in archive.table_files("stage")}
    out = []
    for site in sorted(known - set(recorded_sites(archive))):
        lacks = lacking(archive, site)
        out.append({"site": site, "lacks": lacks, "words": lacking_words(lacks)})
    return out


def lacking_words(lacks: Sequence[str]) -> str:
    """Say what a site has and lacks for a record; ``lacks`` as of ``prepare.records.lacking``."""
    return {
        (): "no rating stands",
        ("stage",): "a rating and no recorded stage",
        ("ratings",): "recorded stage and no rating",
    }.get(tuple(lacks), "no recorded stage and no rating")


@dataclass(frozen=True)
class _Ahead:
    """The rows of one site, derived before the lock was taken, and what they were derived from."""

    tables: dict[str, pd.DataFrame]
    inputs: InputView
    rules: tuple[str, int]
    """Digest of the policy, and the rules of the ledger."""


def _ahead(root: Path, sites: Sequence[str], by: str, moment: datetime) -> dict[str, _Ahead]:
    """Derive the records of sites from the archive as it stands now; commit number and moment are not known yet."""
    archive, shipped = Archive(root, complete=True), default_policy_text()
    told = Circumstances(0, moment, by, __version__, *policy_in_force(archive, None, shipped, shipped))
    made = {}
    for site in sites:
        view = InputView(archive)
        made[site] = _Ahead(derived(view, [site], told), view, (told.policy_digest, told.rules))
    return made


def _fitting(
    writer: Writer, told: Circumstances, sites: Sequence[str], made: Mapping[str, _Ahead]
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Take the rows whose inputs still stand, stamped with this commit's moment; and name the sites of the others.

    Where nothing was made ahead, every site is derived now.
    """
    frames: dict[str, list[pd.DataFrame]] = {}
    left = []
    for site in sites:
        one = made.get(site)
        if one is None:
            rows = derived(writer.archive, [site], told)
        elif one.rules == (told.policy_digest, told.rules) and one.inputs.same_in(writer.archive):
            rows = {name: frame.assign(recorded_at=recorded(frame, told)) for name, frame in one.tables.items()}
        else:
            left.append(site)
            continue
        for name, frame in rows.items():
            frames.setdefault(name, []).append(frame)
    return {name: pd.concat(frames[name], ignore_index=True) for name in TABLES if name in frames}, left


def derivation(writer: Writer, told: Circumstances, tables: dict[str, pd.DataFrame]) -> Commit:
    """Lay out the commit of derived rows: tables, provenance, and NetCDF of the years they touch."""
    fixed = {README: archive_readme(told.policy.office)} | schema_documents()
    return Commit(
        tables=tables,
        documents={provenance_path(told.number): _provenance(writer, told, tables)},
        replacing=fixed | dict(series_files(writer.archive, tables, told.policy.office)),
        counts={f"rows of {name}": len(rows) for name, rows in sorted(tables.items())},
        reason=REASON,
    )


def _provenance(writer: Writer, told: Circumstances, tables: dict[str, pd.DataFrame]) -> bytes:
    sites = sorted({site for rows in tables.values() for site in rows["site"].unique()})
    apart_s = told.policy.value("gap_bridged_s")
    return derivation_provenance(
        number=told.number,
        recorded_at=told.recorded_at,
        by=told.by,
        software_version=told.software_version,
        policy_digest=told.policy_digest,
        records=[sources(writer.archive, site, tables, apart_s) for site in sites],
    )


def sites_of(entry: Entry) -> list[str]:
    """Name the sites whose rows a derivation wrote."""
    return sorted({file.site for file in entry.files if file.site})


RECOMPUTED = "recompute"
"""What the ledger entry of a computation by another version gives as its reason."""


def recompute(
    root: Path, *, by: str = "unnamed", now: Callable[[], datetime] = utc_now, wait_s: float = WAIT_S
) -> tuple[Entry | None, Mapping[str, pd.DataFrame]]:
    """Compute every gauging again by this version of the software; what changes becomes its next revision.

    An approved revision stays, and the new one waits beside it for a review.

    Parameters
    ----------
    root : Path
    by : str
    now : callable
    wait_s : float
        Seconds to wait while another writer is at work.

    Returns
    -------
    Entry or None
        None where nothing changed.
    mapping of str to DataFrame
        The rows that are new.

    Raises
    ------
    ArchiveLocked
        If another writer is at work.
    """
    with writing(root, by=by, now=now, create=False, wait_s=wait_s) as writer:
        told = circumstances(writer, None)
        tables = anew(writer.archive, told)
        if not tables:
            return None, {}
        return writer.commit(recomputation(writer, told, tables)), tables


def recomputation(writer: Writer, told: Circumstances, tables: Mapping[str, pd.DataFrame]) -> Commit:
    """Lay out the commit of gaugings computed again."""
    outcomes = tables["gaugings"][["gauging_id", "revision"]].assign(action="revision")
    prepared = Prepared(tables, outcomes, pd.DataFrame(), pd.DataFrame())
    return Commit(
        tables=tables,
        documents=documents(told, [], prepared),
        replacing=renderings(writer, told, prepared),
        counts={"revision": len(outcomes)},
        reason=RECOMPUTED,
    )
