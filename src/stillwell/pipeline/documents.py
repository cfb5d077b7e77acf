"""What a commit writes beside its tables: provenance, Table Schemas and README."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from stillwell.archive.disk.layout import README
from stillwell.archive.provenance.document import commit_provenance, provenance_path
from stillwell.archive.readme import archive_readme, schema_documents
from stillwell.archive.tables.current_rows import GAUGING
from stillwell.prepare import CommitContext, Prepared
from stillwell.prepare.recompute import REASON
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.shared_types import Deposit


def documents(context: CommitContext, deposits: Sequence[Deposit], prepared: Prepared) -> dict[str, bytes]:
    """Write the documents that are new with a commit.

    Parameters
    ----------
    context : CommitContext
    deposits : sequence of Deposit
    prepared : Prepared

    Returns
    -------
    dict of str to bytes
        By path in the archive.
    """
    data = commit_provenance(
        number=context.number,
        recorded_at=context.recorded_at,
        by=context.by,
        software_version=context.software_version,
        policy_digest=context.policy_digest,
        intake_map=context.intake_map,
        deposits=deposits,
        gaugings=_made(context, prepared),
        tables=prepared.tables,
    )
    return {provenance_path(context.number): data}


def _made(context: CommitContext, prepared: Prepared) -> pd.DataFrame:
    """Pick the revisions a commit makes; a row can also be there because a review changed its status."""
    rows = prepared.tables.get("gaugings")
    if rows is None:
        return pd.DataFrame(columns=list(_gauging_columns()))
    made = prepared.outcomes["action"].isin(["new", "revision"])
    taken = pd.MultiIndex.from_frame(prepared.outcomes.loc[made, GAUGING])
    again = pd.Series(context.policy_digest != context.policy_before, index=rows.index)
    again &= (rows["revision_reason"] == REASON) & (rows["policy_digest"] == context.policy_digest)
    again &= rows["revision"] == rows.groupby("gauging_id")["revision"].transform("max")
    return rows[again | pd.MultiIndex.from_frame(rows[GAUGING]).isin(taken)]


def fixed_documents(office: Mapping[str, str]) -> dict[str, bytes]:
    """Write the documents that follow from the software and the office alone: README and Table Schemas, by path."""
    return {README: archive_readme(office)} | schema_documents()


def _gauging_columns() -> Iterator[str]:
    from stillwell.schemas.derive import columns

    return (c.name for c in columns(ARCHIVE_TABLES["gaugings"]))
