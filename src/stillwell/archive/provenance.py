"""What a commit rests on, as W3C PROV-JSON: deposits used, gaugings made, by which software, under which policy."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import pandas as pd

from stillwell.archive.entries import utc_text
from stillwell.archive.layout import entry_path
from stillwell.fingerprint import canonical_json
from stillwell.records import Deposit

PREFIXES = {
    "deposit": "urn:stillwell:deposit:sha256:",
    "gauging": "urn:stillwell:gauging:",
    "policy": "urn:stillwell:policy:sha256:",
    "commit": "urn:stillwell:commit:",
    "software": "urn:stillwell:software:",
    "by": "urn:stillwell:code:",
    "dcterms": "http://purl.org/dc/terms/",
}
SAFE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")


def provenance_path(number: int) -> str:
    """Name the provenance document of a commit."""
    return f"provenance/{number:08d}.prov.json"


def commit_provenance(
    *,
    number: int,
    recorded_at: datetime,
    by: str,
    software_version: str,
    policy_digest: str,
    intake_map: str,
    deposits: Sequence[Deposit],
    gaugings: pd.DataFrame,
) -> bytes:
    """Write the provenance of a commit.

    Parameters
    ----------
    number : int
        Of the ledger entry.
    recorded_at : datetime
    by : str
        Code of whoever handed in.
    software_version : str
    policy_digest : str
    intake_map : str
        Digest of the intake map the deposits were read with, empty where none was used.
    deposits : sequence of Deposit
    gaugings : DataFrame
        Rows of the commit.

    Returns
    -------
    bytes
        Canonical JSON, the same for the same commit.

    Notes
    -----
    W3C PROV-DM and the PROV-JSON submission of 24 April 2013.
    """
    when = utc_text(recorded_at)
    software, person, plan = f"software:{_safe(software_version)}", f"by:{_safe(by)}", f"policy:{policy_digest}"
    document: dict[str, Any] = {
        "prefix": PREFIXES,
        "agent": {
            software: {"prov:type": _qname("prov:SoftwareAgent"), "prov:label": f"stillwell {software_version}"},
            person: {"prov:type": _qname("prov:Person"), "prov:label": by},
        },
        "entity": {plan: {"prov:type": _qname("prov:Plan"), "prov:label": "limits and choices of the office"}},
        "activity": {
            f"commit:{number}/{step}": {"prov:startTime": when, "prov:endTime": when, "prov:label": label}
            for step, label in (("receive", "seal the bytes as received"), ("compute", "validate, compute, assess"))
        },
        "used": {},
        "wasGeneratedBy": {},
        "wasAttributedTo": {},
        "wasDerivedFrom": {},
        "wasInformedBy": {
            "_:order": {"prov:informed": f"commit:{number}/compute", "prov:informant": f"commit:{number}/receive"}
        },
        "wasAssociatedWith": {
            "_:software": {
                "prov:activity": f"commit:{number}/compute",
                "prov:agent": software,
                "prov:plan": plan,
            },
            "_:person": {"prov:activity": f"commit:{number}/receive", "prov:agent": person},
        },
    }
    _add_deposits(document, number, deposits, person, when)
    if intake_map:
        document["entity"].setdefault(f"deposit:{intake_map}", {"prov:label": "intake map"})
        cited = {"prov:activity": f"commit:{number}/compute", "prov:entity": f"deposit:{intake_map}", "prov:time": when}
        document["used"][f"_:used-{intake_map[:16]}"] = cited
    _add_gaugings(document, number, gaugings, when)
    document["entity"][f"commit:{number}"] = {"prov:label": entry_path(number)}
    return canonical_json({name: value for name, value in document.items() if value})


def _add_deposits(document: dict[str, Any], number: int, deposits: Sequence[Deposit], person: str, when: str) -> None:
    for deposit in deposits:
        name = f"deposit:{deposit.digest}"
        document["entity"][name] = {
            "prov:label": deposit.name,
            "dcterms:extent": {"$": str(deposit.size), "type": "xsd:long"},
            "dcterms:format": deposit.kind,
        }
        document["wasAttributedTo"][f"_:by-{deposit.digest[:16]}"] = {"prov:entity": name, "prov:agent": person}
        document["used"][f"_:used-{deposit.digest[:16]}"] = {
            "prov:activity": f"commit:{number}/compute",
            "prov:entity": name,
            "prov:time": when,
        }


def _add_gaugings(document: dict[str, Any], number: int, gaugings: pd.DataFrame, when: str) -> None:
    """Add each revision made, what it was made from, and the revision it follows."""
    rows = gaugings.sort_values(["gauging_id", "revision"], kind="stable")
    said = zip(
        rows["gauging_id"], rows["revision"], rows["deposit"], rows["status"], rows["revision_reason"], strict=True
    )
    for gauging_id, revision, deposit, status, reason in said:
        name = f"gauging:{_safe(gauging_id)}/{revision}"
        key = f"{_safe(gauging_id)}-{revision}"
        document["entity"][name] = {
            "prov:label": f"{gauging_id} revision {revision}, {status}",
            "dcterms:description": reason,
        }
        document["wasGeneratedBy"][f"_:made-{key}"] = {
            "prov:entity": name,
            "prov:activity": f"commit:{number}/compute",
            "prov:time": when,
        }
        source = {"prov:generatedEntity": name, "prov:usedEntity": f"deposit:{deposit}"}
        document["wasDerivedFrom"][f"_:from-{key}"] = source
        if revision > 1:
            before = {"prov:generatedEntity": name, "prov:usedEntity": f"gauging:{_safe(gauging_id)}/{revision - 1}"}
            document["wasDerivedFrom"][f"_:revises-{key}"] = before | {"prov:type": _qname("prov:Revision")}


def _qname(name: str) -> dict[str, str]:
    return {"$": name, "type": "prov:QUALIFIED_NAME"}


def _safe(text: str) -> str:
    """Write a code as the local part of a name, percent-encoding whatever else it holds."""
    return "".join(c if c in SAFE else "".join(f"%{byte:02X}" for byte in c.encode("utf-8")) for c in text)
