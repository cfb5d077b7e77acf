"""What a commit rests on, as W3C PROV-JSON: deposits used, gaugings made, by which software, under which policy.

What stage, ratings and the like came in a commit is told by ``provenance_series``; what a derivation rests on by
``provenance_derived``.

What PROV has no word for is told under ``said:``: site and instrument of a gauging, the checks of its meter, its
findings, and on which lines of which file inside the deposit its rows stand.
"""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping, Sequence
from datetime import datetime
from typing import Any

import pandas as pd

from stillwell.archive.disk.layout import entry_path
from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.line_ranges import places
from stillwell.archive.provenance.names import PREFIXES, qname, safe
from stillwell.archive.provenance.series import add_recorded
from stillwell.archive.tables.table_buffer import parts_of
from stillwell.records import Deposit

__all__ = ["INTAKE_MAP", "PREFIXES", "commit_provenance", "provenance_path", "safe", "written"]

INTAKE_MAP = "intake map"
"""Role in which a commit used an intake map."""

TOLD = ("site", "instrument", "check_before", "check_after")
"""Columns of a gauging told under ``said:``."""

REGISTERS = {
    "sites": ("site", "site", ("name",)),
    "datums": ("site", "site", ()),
    "instruments": ("instrument", "instrument", ("kind",)),
    "calibrations": ("instrument", "instrument", ()),
    "check_samples": ("check", "check", ()),
    "policies": ("policy", "policy_digest", ()),
}
"""By table: the prefix and the column of what it describes, and the columns of its label."""

KEY = ["gauging_id", "revision"]
CAUSE = ("check", "deposit", "row_file", "row_line")
"""A check and the place of its first row, which the findings it causes name."""

_text = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


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
    tables: Mapping[str, pd.DataFrame] | None = None,
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
        Rows of the revisions made in the commit.
    tables : mapping of str to DataFrame, optional
        All rows of the commit; those of ``gaugings`` not made in it are there because a review changed their status.

    Returns
    -------
    bytes
        Canonical JSON, the same for the same commit.

    Notes
    -----
    W3C PROV-DM and the PROV-JSON submission of 24 April 2013.
    """
    tables = tables or {}
    when = utc_text(recorded_at)
    document = _frame(number, when, by, software_version, policy_digest)
    _add_deposits(document, number, deposits, f"by:{safe(by)}", when)
    if intake_map:
        document["entity"].setdefault(f"deposit:{intake_map}", {"prov:label": INTAKE_MAP})
        cited = {"prov:activity": f"commit:{number}/compute", "prov:entity": f"deposit:{intake_map}", "prov:time": when}
        document["used"][f"_:used-{intake_map[:16]}"] = cited | {"prov:role": INTAKE_MAP}
    _add_registers(document, tables)
    add_recorded(document, tables)
    _add_gaugings(document, number, gaugings, tables)
    _add_later_findings(document, gaugings, tables)
    _add_reviews(document, gaugings, tables)
    document["entity"][f"commit:{number}"] = {"prov:label": entry_path(number)}
    return written(document)


class _Written(str):
    """JSON that is written already."""


def written(document: dict[str, dict[str, Any]]) -> bytes:
    """Write a document as canonical JSON, taking what is written already as it stands."""
    sections = []
    for name, section in sorted(document.items()):
        members = ((key, value) for key, value in sorted(section.items()))
        texts = [f"{_text(key)}:{value if type(value) is _Written else _text(value)}" for key, value in members]
        if texts:
            sections.append(f"{_text(name)}:{{{','.join(texts)}}}")
    return f"{{{','.join(sections)}}}".encode()


def _frame(number: int, when: str, by: str, software_version: str, policy_digest: str) -> dict[str, Any]:
    """Begin a document: who, what with, by what rules."""
    software, person, plan = f"software:{safe(software_version)}", f"by:{safe(by)}", f"policy:{policy_digest}"
    received, computed = f"commit:{number}/receive", f"commit:{number}/compute"
    return {
        "prefix": PREFIXES,
        "agent": {
            software: {"prov:type": qname("prov:SoftwareAgent"), "prov:label": f"stillwell {software_version}"},
            person: {"prov:type": qname("prov:Person"), "prov:label": by},
        },
        "entity": {plan: {"prov:type": qname("prov:Plan"), "prov:label": "limits and choices of the office"}},
        "activity": {
            step: {"prov:startTime": when, "prov:endTime": when, "prov:label": label}
            for step, label in ((received, "seal the bytes as received"), (computed, "validate, compute, assess"))
        },
        "used": {},
        "wasGeneratedBy": {},
        "wasAttributedTo": {},
        "wasDerivedFrom": {},
        "wasInfluencedBy": {},
        "wasInformedBy": {"_:order": {"prov:informed": computed, "prov:informant": received}},
        "wasAssociatedWith": {
            "_:software": {"prov:activity": computed, "prov:agent": software, "prov:plan": plan},
            "_:person": {"prov:activity": received, "prov:agent": person},
        },
    }


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


def _add_registers(document: dict[str, Any], tables: Mapping[str, pd.DataFrame]) -> None:
    """Add sites, meters, checks and policies described in the commit, each derived from its rows."""
    for table, (prefix, column, labels) in REGISTERS.items():
        rows = tables.get(table)
        for (code, deposit), lines in places(rows, [column, "deposit"]).items():
            name, key = f"{prefix}:{safe(str(code))}", f"_:from-{prefix}-{safe(str(code))}-{str(deposit)[:16]}"
            document["entity"].setdefault(name, {"prov:label": str(code)})
            source = {"prov:generatedEntity": name, "prov:usedEntity": f"deposit:{deposit}"}
            document["wasDerivedFrom"].setdefault(key, source).setdefault("said:row", []).extend(lines)
        if rows is not None:
            for said in (
                rows[[column, *labels]].drop_duplicates(column, keep="last").to_dict("records") if labels else ()
            ):
                document["entity"][f"{prefix}:{safe(said[column])}"] = {"prov:label": ", ".join(said.values())}
    checks = tables.get("checks")
    for row in () if checks is None else checks[["check", "instrument", "verdict"]].to_dict("records"):
        said = {"prov:label": f"{row['check']}, {row['verdict']}", "said:instrument": row["instrument"]}
        document["entity"][f"check:{safe(row['check'])}"] = said


def _add_gaugings(
    document: dict[str, Any], number: int, gaugings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]
) -> None:
    """Add each revision made, what it was made from, and the revision it follows."""
    activity = f"commit:{number}/compute"
    entities, made, derived = document["entity"], document["wasGeneratedBy"], document["wasDerivedFrom"]
    rows = gaugings.sort_values(KEY, kind="stable")
    which = list(zip(rows["gauging_id"].tolist(), rows["revision"].tolist(), strict=True))
    about = _told_of(rows, which, tables.get("findings"))
    sources = _sources_of(rows, which, tables)
    labels = [f"{gauging_id} revision {revision}, " for gauging_id, revision in which]
    said = zip(which, labels, rows["status"].tolist(), rows["revision_reason"].tolist(), about, sources, strict=True)
    # written at once, in the order of canonical JSON: thousands of them stand in a commit
    for (gauging_id, revision), label, status, reason, told, source in said:
        code = safe(gauging_id)
        name, key = f"gauging:{code}/{revision}", f"{code}-{revision}"
        head = f'"dcterms:description":{_text(reason)},"prov:label":{_text(label + status)}'
        entities[name] = _Written(f"{{{head}{told}}}")
        made[f"_:made-{key}"] = _Written(f'{{"prov:activity":"{activity}","prov:entity":"{name}"}}')
        derived[f"_:from-{key}"] = _Written(f'{{"prov:generatedEntity":"{name}",{source}}}')
        if revision > 1:
            before = {"prov:generatedEntity": name, "prov:usedEntity": f"gauging:{code}/{revision - 1}"}
            derived[f"_:revises-{key}"] = before | {"prov:type": qname("prov:Revision")}


def _told_of(rows: pd.DataFrame, which: Sequence[tuple[str, int]], findings: pd.DataFrame | None) -> list[str]:
    """Write what is told of each revision, as members of a JSON object."""
    codes_of = _codes_of(findings)
    members = {name: _members(rows[name], f',"said:{name}":') for name in TOLD if name in rows}
    members["finding"] = [f',"said:finding":{_text(codes_of[one])}' if one in codes_of else "" for one in which]
    return list(map("".join, zip(*(part for _, part in sorted(members.items())), strict=True)))


def _sources_of(rows: pd.DataFrame, which: Sequence[tuple[str, int]], tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Write what each revision was made from and where its rows stand, as members of a JSON object."""
    members = {"": _members("deposit:" + rows["deposit"], '"prov:usedEntity":')}
    found = {name: _places(tables, name) for name in ("points", "samples")}
    heights = tables.get("gauge_heights")
    if heights is not None and "label" in rows:
        labelled = rows[["deposit", "label", *KEY]].rename(columns={"label": "gauging"})
        read_for = heights.loc[heights["gauging"].notna(), ["deposit", "gauging", "row_file", "row_line"]]
        found["gauge_heights"] = places(read_for.merge(labelled, on=["deposit", "gauging"]), KEY)
    for name, lines in found.items():
        if lines:
            members[name] = [f',"said:{name}":{_several(lines[one])}' if one in lines else "" for one in which]
    if "row_file" in rows:
        members["row"] = _members(rows["row_file"] + " " + rows["row_line"].astype("str"), ',"said:row":')
    return list(map("".join, zip(*(part for _, part in sorted(members.items())), strict=True)))


def _places(tables: Mapping[str, pd.DataFrame], name: str) -> dict[tuple[Hashable, ...], list[str]]:
    """Say which lines the rows of each revision stand on."""
    out: dict[tuple[Hashable, ...], list[str]] = {}
    for rows in parts_of(tables, name, [*KEY, "row_file", "row_line"]):
        out |= places(rows, KEY)
    return out


def _members(values: pd.Series, name: str) -> list[str]:
    """Write a column as members of JSON objects, each different cell once; nothing for a missing cell."""
    codes, words = pd.factorize(values)
    texts = [*(name + _text(word) for word in words.tolist()), ""]
    return [texts[code] for code in codes.tolist()]


def _several(texts: Sequence[str]) -> str:
    return _text(texts[0]) if len(texts) == 1 else _text(texts)


def _codes_of(findings: pd.DataFrame | None) -> dict[tuple[Any, ...], list[str]]:
    """List the codes found of each revision, each once; the rows come sorted by gauging and code."""
    out: dict[tuple[Any, ...], list[str]] = {}
    if findings is not None:
        names = ("gauging_id", "revision", "code")
        for gauging_id, revision, code in zip(*(findings[name].tolist() for name in names), strict=True):
            codes = out.setdefault((gauging_id, revision), [])
            if code not in codes:
                codes.append(code)
    return out


def _add_later_findings(document: dict[str, Any], gaugings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> None:
    """Add what was found of revisions made before the commit, and the rows or the check that made it known."""
    findings = tables.get("findings")
    if findings is None:
        return
    later = findings[~pd.MultiIndex.from_frame(findings[KEY]).isin(pd.MultiIndex.from_frame(gaugings[KEY]))]
    checks = tables.get("checks")
    check_at = {} if checks is None else {row[1:]: row[0] for row in zip(*(checks[n] for n in CAUSE), strict=True)}
    for (gauging_id, revision, code, deposit), lines in places(later, [*KEY, "code", "deposit"]).items():
        of, about = f"{safe(str(gauging_id))}/{revision}", f"{gauging_id} revision {revision}"
        name, tag = f"finding:{of}/{code}", f"{of}-{code}".replace("/", "-")
        document["entity"][name] = {"prov:label": f"{code}: {about}"}
        found = {"prov:generatedEntity": name, "prov:usedEntity": f"gauging:{of}"}
        document["wasDerivedFrom"][f"_:found-{tag}"] = found
        source = {"prov:generatedEntity": name, "prov:usedEntity": f"deposit:{deposit}", "said:row": lines}
        document["wasDerivedFrom"][f"_:because-{tag}-{str(deposit)[:16]}"] = source
    for row in later[[*KEY, "code", *CAUSE[1:]]].to_dict("records") if check_at else ():
        check = check_at.get(tuple(row[name] for name in CAUSE[1:]))
        if check is not None:
            of = f"{safe(row['gauging_id'])}/{row['revision']}/{row['code']}"
            by = {"prov:generatedEntity": f"finding:{of}", "prov:usedEntity": f"check:{safe(check)}"}
            document["wasDerivedFrom"][f"_:by-check-{of.replace('/', '-')}"] = by


def _add_reviews(document: dict[str, Any], gaugings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> None:
    """Add each decision of a person, its rows, and the revisions whose status it changed."""
    reviews, rows = tables.get("reviews"), tables.get("gaugings", gaugings)
    if reviews is None:
        return
    made = pd.MultiIndex.from_frame(gaugings[KEY])
    known = ~pd.MultiIndex.from_frame(rows[KEY]).isin(made)
    changed = rows[known | (rows["status"] != "provisional").to_numpy()]
    revisions_of = changed.groupby("gauging_id")["revision"].agg(list).to_dict()
    lines = places(reviews, ["subject", "decided_at"])
    for row in reviews.sort_values(["subject", "decided_at"], kind="stable").to_dict("records"):
        subject, moment = row["subject"], utc_text(row["decided_at"])
        local = f"{safe(subject)}/{safe(moment)}"
        name, tag = f"review:{local}", local.replace("/", "-")
        document["entity"][name] = {
            "prov:label": f"{row['decision']} by {row['by']}, {moment[:10]}",
            "dcterms:description": row["reason"],
            "said:gauging": subject,
        }
        document["wasDerivedFrom"][f"_:from-review-{tag}"] = {
            "prov:generatedEntity": name,
            "prov:usedEntity": f"deposit:{row['deposit']}",
            "said:row": lines.get((subject, row["decided_at"]), []),
        }
        for revision in revisions_of.get(subject, ()):
            change = {"prov:influencee": f"gauging:{safe(subject)}/{revision}", "prov:influencer": name}
            document["wasInfluencedBy"][f"_:decided-{tag}-{revision}"] = change
