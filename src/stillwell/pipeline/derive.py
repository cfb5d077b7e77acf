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
from stillwell.archive.batches.site_batches import rows_at, site_batches
from stillwell.archive.disk.lock import WAIT_S
from stillwell.archive.ledger.chain import Entry
from stillwell.archive.provenance.derived import derivation_provenance
from stillwell.archive.provenance.document import provenance_path
from stillwell.archive.provenance.sources import sources
from stillwell.archive.writing.writer import Commit, Writer
from stillwell.errors import QueryError
from stillwell.pipeline.committing import commit_context, utc_now, writing
from stillwell.pipeline.documents import documents, fixed_documents
from stillwell.pipeline.render import After, render_after, unheard
from stillwell.prepare import CommitContext, Prepared
from stillwell.prepare.context import Standing
from stillwell.prepare.derive_from_change import derived_from_change
from stillwell.prepare.files_read import InputView
from stillwell.prepare.rating_tables import RatingTables
from stillwell.prepare.recompute import anew
from stillwell.prepare.records import TABLES, derived, lacking, recorded_sites
from stillwell.prepare.register_rows import recorded
from stillwell.prepare.watermarks import Marks, last_made, mark_name, marked_sites, record_marks, records_behind
from stillwell.reading.policy import default_policy_text, policy_in_force
from stillwell.shared_types import RULES

REASON = "derive"
"""What the ledger entry of a derivation gives as its reason."""


AT_ONCE = 2_000_000
"""Recorded values whose records are derived in one commit; more sites than that hold go into several."""


ROUNDS = 3
"""How often a site is derived before the lock is taken; one whose inputs change each time is derived under it then."""


Current = Callable[[Sequence[str]], object]
"""Told the sites whose records are up to date, once, before any record is derived."""


def untold(sites: Sequence[str]) -> None:
    """Tell nobody."""


def derive(
    root: Path,
    sites: Sequence[str] | None = None,
    *,
    by: str = "unnamed",
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    render_now: bool = True,
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
    render_now : bool
        As of ``derivations``.

    Returns
    -------
    Entry or None
        The last commit; None where every record was up to date.
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
    made = derivations(root, sites, by=by, now=now, wait_s=wait_s, render_now=render_now)
    for entry, tables in made:  # noqa: B007 - the last one is wanted
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
    render_now: bool = True,
    after: After = unheard,
    current: Current = untold,
) -> Iterator[tuple[Entry, dict[str, pd.DataFrame]]]:
    """Derive the records of sites, some at a time, and commit what changed of each lot before the next.

    A record that was derived from what its inputs are now is up to date: no row of its site is read. Of the others the
    entry names the inputs (``prepare.watermarks``), also where no row changed. The work is done before the lock is
    taken. Under it the rows of a site whose inputs have changed since are dropped, and the site is derived again.

    Parameters
    ----------
    root, sites, by, now, wait_s
        As of ``derive``.
    at_once : int
        Recorded values in one lot, at most; a site is never parted.
    render_now : bool
        Render the NetCDF files of the sites after each commit; otherwise they stay behind until ``render``.
    after : callable
        Told what was rendered after each commit.
    current : callable
        Told which of the sites are up to date.

    Yields
    ------
    Entry
        A commit; there is none where every record is up to date.
    dict of str to DataFrame
        Its rows, none where other inputs come to the same rows; emptied before the next lot is derived, so that two
        are never held.
    """
    archive = Archive(root, complete=True)
    ratings = RatingTables.of(archive)
    known = recorded_sites(archive, ratings)
    missing = sorted(set(sites or ()) - set(known))
    if missing:
        reasons = "; ".join(f"{site}: {lacking_words(lacks)}" for site, lacks in lacking(archive, missing).items())
        msg = f"expected sites with recorded stage and a rating, found {reasons}; nothing was derived"
        raise QueryError(msg)
    wanted = sorted(set(sites)) if sites else known
    late = _behind(archive, wanted, ratings)
    current(sorted(set(wanted) - set(late)))
    for lot in site_batches(late, rows_at(archive, "stage", late), at_once):
        left, rounds = lot, 0
        while left:
            made = _ahead(archive, left, by, now()) if rounds < ROUNDS else {}
            rounds += 1
            with writing(root, by=by, now=now, create=False, wait_s=wait_s, earlier=archive.ledger) as writer:
                context = commit_context(writer, None)
                tables, left, done = _fitting(writer, context, left, made)
                entry = writer.commit(derivation(writer, context, tables, done)) if done else None
            made.clear()
            if entry is not None:
                after(render_after(root, entry, by=by, now=now, wait_s=wait_s, render_now=render_now))
                yield entry, tables
            tables.clear()
            archive = Archive(root, complete=True, earlier=archive.ledger)
            left = _behind(archive, left) if left else []


def _behind(archive: Archive, sites: Sequence[str], ratings: Standing | None = None) -> list[str]:
    """Name the sites whose records are not derived from what stands, by the policy and the rules of now."""
    shipped = default_policy_text()
    _, policy, _ = policy_in_force(archive, None, shipped, shipped)
    return records_behind(archive, record_marks(archive, sites, shipped, policy, RULES, ratings))


def left_out(root: Path) -> list[dict[str, Any]]:
    """List the known sites of which no record is derived, and why.

    Returns
    -------
    list of dict
        ``site``, ``lacks`` (``stage``, ``ratings`` or both) and ``words``.
    """
    archive = Archive(root, complete=True)
    known = set(archive.standing("sites")["site"]) | set(archive.table_sites("stage"))
    without = lacking(archive, sorted(known - set(recorded_sites(archive))))
    return [{"site": site, "lacks": lacks, "words": lacking_words(lacks)} for site, lacks in without.items()]


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


def _ahead(archive: Archive, sites: Sequence[str], by: str, moment: datetime) -> dict[str, _Ahead]:
    """Derive the records of sites from an archive as it stands; commit number and moment are not known yet.

    Each from the earliest change on, or whole where that is unknown (``prepare.earliest_change``).
    """
    shipped = default_policy_text()
    context = CommitContext(0, moment, by, __version__, *policy_in_force(archive, None, shipped, shipped))
    marks = record_marks(archive, sites, shipped, context.policy_digest, context.rules)
    last = last_made(archive.ledger, sites)
    made = {}
    for site in sites:
        view = InputView(archive)
        tables = derived_from_change(view, site, context, last.get(site), marks[site])
        made[site] = _Ahead(tables, view, (context.policy_digest, context.rules))
    return made


def _fitting(
    writer: Writer, context: CommitContext, sites: Sequence[str], made: Mapping[str, _Ahead]
) -> tuple[dict[str, pd.DataFrame], list[str], list[str]]:
    """Take the rows whose inputs still stand, stamped with this commit's moment; name the other sites, then these.

    Where nothing was made ahead, every site is derived now.
    """
    frames: dict[str, list[pd.DataFrame]] = {}
    left = []
    for site in sites:
        one = made.get(site)
        if one is None:
            rows = derived(writer.archive, [site], context)
        elif one.rules == (context.policy_digest, context.rules) and one.inputs.same_in(writer.archive):
            rows = {name: frame.assign(recorded_at=recorded(frame, context)) for name, frame in one.tables.items()}
        else:
            left.append(site)
            continue
        for name, frame in rows.items():
            frames.setdefault(name, []).append(frame)
    done = [site for site in sites if site not in left]
    return {name: pd.concat(frames[name], ignore_index=True) for name in TABLES if name in frames}, left, done


def derivation(writer: Writer, context: CommitContext, tables: dict[str, pd.DataFrame], sites: Sequence[str]) -> Commit:
    """Lay out the commit of derived records: rows and their provenance, and what each record was derived from.

    Parameters
    ----------
    writer : Writer
    context : CommitContext
    tables : dict of str to DataFrame
        Rows that are new or differ; there may be none.
    sites : sequence of str
        Sites whose records were derived, with rows or without.
    """
    shipped = writer.policy_text or default_policy_text()
    marks: Marks = record_marks(writer.archive, sites, shipped, context.policy_digest, context.rules) if sites else {}
    return Commit(
        tables=tables,
        documents={provenance_path(context.number): _provenance(writer, context, tables)} if tables else {},
        replacing=fixed_documents(context.policy.office),
        made_from={mark_name(site): inputs for site, inputs in sorted(marks.items())},
        counts={f"rows of {name}": len(rows) for name, rows in sorted(tables.items())},
        reason=REASON,
    )


def _provenance(writer: Writer, context: CommitContext, tables: dict[str, pd.DataFrame]) -> bytes:
    sites = sorted({site for rows in tables.values() for site in rows["site"].unique()})
    apart_s = context.policy.value("gap_bridged_s")
    return derivation_provenance(
        number=context.number,
        recorded_at=context.recorded_at,
        by=context.by,
        software_version=context.software_version,
        policy_digest=context.policy_digest,
        records=[sources(writer.archive, site, tables, apart_s) for site in sites],
    )


def sites_of(entry: Entry) -> list[str]:
    """Name the sites whose records a derivation derived; before records were marked, those whose rows it wrote."""
    return sorted({*marked_sites(entry), *(site for file in entry.files for site in file.sites)})


RECOMPUTED = "recompute"
"""What the ledger entry of a computation by another version gives as its reason."""


def recompute(
    root: Path,
    *,
    by: str = "unnamed",
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    after: After = unheard,
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
    after : callable
        Told what was rendered after the commit.

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
        context = commit_context(writer, None)
        tables = anew(writer.archive, context)
        if not tables:
            return None, {}
        entry = writer.commit(recomputation(context, tables))
    after(render_after(root, entry, by=by, now=now, wait_s=wait_s))
    return entry, tables


def recomputation(context: CommitContext, tables: Mapping[str, pd.DataFrame]) -> Commit:
    """Lay out the commit of gaugings computed again."""
    outcomes = tables["gaugings"][["gauging_id", "revision"]].assign(action="revision")
    prepared = Prepared(tables, outcomes, pd.DataFrame(), pd.DataFrame())
    return Commit(
        tables=tables,
        documents=documents(context, [], prepared),
        replacing=fixed_documents(context.policy.office),
        counts={"revision": len(outcomes)},
        reason=RECOMPUTED,
    )
