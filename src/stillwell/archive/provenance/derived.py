"""W3C PROV-JSON of a derivation: an activity per site, the entities it used, and the records it made.

A record is what one commit derived of one table at one site; it is a revision of the record it replaces.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.beside_gaugings import short
from stillwell.archive.provenance.document import written
from stillwell.archive.provenance.mapping import DERIVED, GAP, Document, add_activity, commit_document, relate
from stillwell.archive.provenance.names import qname, record_name, safe
from stillwell.archive.provenance.sources import Extent, Sources


def derivation_provenance(
    *,
    number: int,
    recorded_at: datetime,
    by: str,
    software_version: str,
    policy_digest: str,
    records: Sequence[Sources],
) -> bytes:
    """Write the provenance of a commit of derived rows.

    Parameters
    ----------
    number : int
        Of the ledger entry.
    recorded_at : datetime
    by : str
        Code of whoever derived.
    software_version, policy_digest : str
    records : sequence of Sources
        One per site.

    Returns
    -------
    bytes
        Canonical JSON, the same for the same commit.

    Notes
    -----
    W3C PROV-DM and the PROV-JSON submission of 24 April 2013.
    """
    when = utc_text(recorded_at)
    software, person, plan = f"software:{safe(software_version)}", f"by:{safe(by)}", f"policy:{policy_digest}"
    document = commit_document(number, software_version, by, policy_digest)
    for one in records:
        site = safe(one.site)
        activity = f"commit:{number}/derive/{site}"
        gap = {GAP: float(one.apart_s)}
        add_activity(document, activity, when, f"derive the record of {one.site}", **gap)
        relate(document, "wasAssociatedWith", f"software-{site}", activity, software, **{"prov:plan": plan})
        relate(document, "wasAssociatedWith", f"person-{site}", activity, person)
        for i, name in enumerate(one.used, 1):
            relate(document, "used", f"used-{site}-{i}", activity, name)
        for table, extent in one.extents.items():
            _add_record(document, number, one.site, table, extent, activity)
    return written(document)


def _add_record(document: Document, number: int, site: str, table: str, extent: Extent, activity: str) -> None:
    name, suffix = record_name(site, number, table), f"{safe(site)}-{table}"
    span = " to ".join(dict.fromkeys(short(moment) for moment in (extent.since, extent.until)))
    document["entity"][name] = {
        "prov:label": f"{DERIVED[table].words} of {site}, {span}, {extent.rows} row{'s' * (extent.rows > 1)}",
        "said:site": site,
        "said:table": table,
        "said:from": utc_text(extent.since),
        "said:to": utc_text(extent.until),
    }
    relate(document, "wasGeneratedBy", f"made-{suffix}", name, activity)
    if extent.revises:
        revision = {"prov:type": qname("prov:Revision")}
        relate(document, "wasDerivedFrom", f"revises-{suffix}", name, extent.revises, **revision)
