"""Records derived from the stage, ratings and shifts that stand, and committed: a commit without deposits."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import pandas as pd

from stillwell.archive.layout import README
from stillwell.archive.ledger import Entry
from stillwell.archive.netcdf_series import series_files
from stillwell.archive.portions import portions, rows_at
from stillwell.archive.provenance import provenance_path
from stillwell.archive.provenance_derived import derivation_provenance
from stillwell.archive.readme import archive_readme, schema_documents
from stillwell.archive.sources import sources
from stillwell.archive.writer import Commit, Writer
from stillwell.errors import QueryError
from stillwell.pipeline import circumstances, utc_now, writing
from stillwell.prepare import Circumstances, Prepared
from stillwell.prepare.again import anew
from stillwell.prepare.records import derived, recorded_sites
from stillwell.rendering import documents, renderings

REASON = "derive"
"""What the ledger entry of a derivation gives as its reason."""


AT_ONCE = 2_000_000
"""Recorded values whose records are derived in one commit; more sites than that hold go into several."""


def derive(
    root: Path,
    sites: Sequence[str] | None = None,
    *,
    by: str = "unnamed",
    now: Callable[[], datetime] = utc_now,
) -> tuple[Entry | None, dict[str, pd.DataFrame]]:
    """Derive the records of sites and commit what changed; ``derivations`` with all its rows together.

    Parameters
    ----------
    root : Path
    sites : sequence of str, optional
        All that have stage and a rating where not given.
    by : str
    now : callable

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
        If another writer is at work.
    """
    entry: Entry | None = None
    parts: dict[str, list[pd.DataFrame]] = {}
    for entry, tables in derivations(root, sites, by=by, now=now):  # noqa: B007 - the last one is wanted
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
) -> Iterator[tuple[Entry, dict[str, pd.DataFrame]]]:
    """Derive the records of sites, some at a time, and commit what changed of each lot before the next.

    Parameters
    ----------
    root, sites, by, now
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
    with writing(root, by=by, now=now, create=False) as writer:
        known = recorded_sites(writer.archive)
        missing = sorted(set(sites or ()) - set(known))
        if missing:
            msg = f"expected sites with recorded stage and a rating, found {', '.join(missing)}; nothing was derived"
            raise QueryError(msg)
        wanted = sorted(set(sites)) if sites else known
        for lot in portions(wanted, rows_at(writer.archive, "stage", wanted), at_once):
            told = circumstances(writer, None)
            tables = derived(writer.archive, lot, told)
            if tables:
                yield writer.commit(derivation(writer, told, tables)), tables
                tables.clear()


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
    return sorted({site for file in entry.files for site in file.sites})


RECOMPUTED = "recompute"
"""What the ledger entry of a computation by another version gives as its reason."""


def recompute(
    root: Path, *, by: str = "unnamed", now: Callable[[], datetime] = utc_now
) -> tuple[Entry | None, Mapping[str, pd.DataFrame]]:
    """Compute every gauging again by this version of the software; what changes becomes its next revision.

    An approved revision stays, and the new one waits beside it for a review.

    Parameters
    ----------
    root : Path
    by : str
    now : callable

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
    with writing(root, by=by, now=now, create=False) as writer:
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
