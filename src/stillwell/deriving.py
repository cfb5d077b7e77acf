"""Records derived from the stage, ratings and shifts that stand, and committed: a commit without deposits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

import pandas as pd

from stillwell import __version__
from stillwell.archive.layout import README
from stillwell.archive.ledger import Entry
from stillwell.archive.netcdf_series import series_files
from stillwell.archive.provenance import provenance_path
from stillwell.archive.provenance_derived import derivation_provenance
from stillwell.archive.readme import archive_readme, schema_documents
from stillwell.archive.sources import sources
from stillwell.archive.writer import Commit, Writer, open_writer
from stillwell.errors import QueryError
from stillwell.pipeline import circumstances, utc_now
from stillwell.prepare import Circumstances
from stillwell.prepare.records import derived, recorded_sites

REASON = "derive"
"""What the ledger entry of a derivation gives as its reason."""


def derive(
    root: Path,
    sites: Sequence[str] | None = None,
    *,
    by: str = "unnamed",
    now: Callable[[], datetime] = utc_now,
) -> tuple[Entry | None, dict[str, pd.DataFrame]]:
    """Derive the records of sites and commit what changed.

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
        None where nothing changed.
    dict of str to DataFrame
        The rows that are new.

    Raises
    ------
    QueryError
        If a site named has no stage or no rating.
    ArchiveLocked
        If another writer is at work.
    """
    with open_writer(root, software_version=__version__, by=by, now=now, create=False) as writer:
        known = recorded_sites(writer.archive)
        missing = sorted(set(sites or ()) - set(known))
        if missing:
            msg = f"expected sites with recorded stage and a rating, found {', '.join(missing)}; nothing was derived"
            raise QueryError(msg)
        told = circumstances(writer, None)
        tables = derived(writer.archive, sorted(set(sites)) if sites else known, told)
        if not tables:
            return None, {}
        return writer.commit(derivation(writer, told, tables)), tables


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
