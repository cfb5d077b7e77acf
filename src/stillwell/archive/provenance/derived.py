"""What a derivation rests on, as W3C PROV-JSON: per site an activity, what it used, and the records it made.

A record is what one commit derived of one table at one site. What it takes the place of is told as its revision.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from stillwell.archive.disk.layout import entry_path
from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.document import written
from stillwell.archive.provenance.names import PREFIXES, qname, record_name, safe
from stillwell.archive.provenance.series import short
from stillwell.archive.provenance.sources import Extent, Sources

GAP = "said:gap_bridged_s"
"""Attribute of an activity: values further apart than this, in s, were not joined."""
WORDS = {"discharge": "discharge", "daily": "daily values", "series_doubts": "doubts about stage"}
"""What the rows of a derived table are called."""


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
    document: dict[str, Any] = {
        "prefix": PREFIXES,
        "agent": {
            software: {"prov:type": qname("prov:SoftwareAgent"), "prov:label": f"stillwell {software_version}"},
            person: {"prov:type": qname("prov:Person"), "prov:label": by},
        },
        "entity": {
            plan: {"prov:type": qname("prov:Plan"), "prov:label": "limits and choices of the office"},
            f"commit:{number}": {"prov:label": entry_path(number)},
        },
        **{name: {} for name in ("activity", "used", "wasGeneratedBy", "wasDerivedFrom", "wasAssociatedWith")},
    }
    for one in records:
        site = safe(one.site)
        activity = f"commit:{number}/derive/{site}"
        document["activity"][activity] = {
            "prov:startTime": when,
            "prov:endTime": when,
            "prov:label": f"derive the record of {one.site}",
            GAP: float(one.apart_s),
        }
        said = {"prov:activity": activity, "prov:agent": software, "prov:plan": plan}
        document["wasAssociatedWith"][f"_:software-{site}"] = said
        document["wasAssociatedWith"][f"_:person-{site}"] = {"prov:activity": activity, "prov:agent": person}
        document["used"] |= {
            f"_:used-{site}-{i}": {"prov:activity": activity, "prov:entity": name} for i, name in enumerate(one.used, 1)
        }
        for table, extent in one.extents.items():
            _add_record(document, number, one.site, table, extent, activity)
    return written(document)


def _add_record(document: dict[str, Any], number: int, site: str, table: str, extent: Extent, activity: str) -> None:
    name, tag = record_name(site, number, table), f"{safe(site)}-{table}"
    span = " to ".join(dict.fromkeys(short(moment) for moment in (extent.since, extent.until)))
    document["entity"][name] = {
        "prov:label": f"{WORDS[table]} of {site}, {span}, {extent.rows} row{'s' * (extent.rows > 1)}",
        "said:site": site,
        "said:table": table,
        "said:from": utc_text(extent.since),
        "said:to": utc_text(extent.until),
    }
    document["wasGeneratedBy"][f"_:made-{tag}"] = {"prov:activity": activity, "prov:entity": name}
    if extent.revises:
        before = {"prov:generatedEntity": name, "prov:usedEntity": extent.revises}
        document["wasDerivedFrom"][f"_:revises-{tag}"] = before | {"prov:type": qname("prov:Revision")}
