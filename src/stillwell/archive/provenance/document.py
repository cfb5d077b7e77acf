"""W3C PROV-JSON of a commit: deposits used, gaugings made, by which software, under which policy.

``series`` adds the stage, ratings and the like of the commit; ``derived`` writes the document of a derivation.

Attributes that PROV lacks have the prefix ``said:``: site and instrument of a gauging, the checks of its meter, its
findings, and the file and lines of the deposit that hold its rows.
"""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping, Sequence
from datetime import datetime
from typing import Any

import pandas as pd

from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.beside_gaugings import add_recorded
from stillwell.archive.provenance.line_ranges import places
from stillwell.archive.provenance.mapping import (
    GAUGING_LINKS,
    INTAKE_MAP,
    REGISTERS,
    Document,
    add_activity,
    commit_document,
    relate,
)
from stillwell.archive.provenance.names import qname, safe
from stillwell.archive.tables.table_buffer import parts_of
from stillwell.shared_types import Deposit

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
    document = commit_document(number, software_version, by, policy_digest)
    _add_steps(document, number, when, by, software_version, policy_digest)
    _add_deposits(document, number, deposits, f"by:{safe(by)}", when)
    if intake_map:
        document["entity"].setdefault(f"deposit:{intake_map}", {"prov:label": INTAKE_MAP})
        _add_use(document, number, intake_map, when, **{"prov:role": INTAKE_MAP})
    _add_registers(document, tables)
    add_recorded(document, tables)
    _add_gaugings(document, number, gaugings, tables)
    _add_later_findings(document, gaugings, tables)
    _add_reviews(document, gaugings, tables)
    return written(document)


class _Written(str):
    """Text that is canonical JSON already."""


def written(document: Document) -> bytes:
    """Write a document as canonical JSON; members that are JSON text already are copied."""
    sections = []
    for name, section in sorted(document.items()):
        members = ((key, value) for key, value in sorted(section.items()))
        texts = [f"{_text(key)}:{value if type(value) is _Written else _text(value)}" for key, value in members]
        if texts:
            sections.append(f"{_text(name)}:{{{','.join(texts)}}}")
    return f"{{{','.join(sections)}}}".encode()


def _add_steps(document: Document, number: int, when: str, by: str, software_version: str, policy_digest: str) -> None:
    """Add the two steps of an intake, who received and which software computed by which rules."""
    received, computed = f"commit:{number}/receive", f"commit:{number}/compute"
    add_activity(document, received, when, "seal the bytes as received")
    add_activity(document, computed, when, "validate, compute, assess")
    relate(document, "wasInformedBy", "order", computed, received)
    plan = {"prov:plan": f"policy:{policy_digest}"}
    relate(document, "wasAssociatedWith", "software", computed, f"software:{safe(software_version)}", **plan)
    relate(document, "wasAssociatedWith", "person", received, f"by:{safe(by)}")


def _add_deposits(document: Document, number: int, deposits: Sequence[Deposit], person: str, when: str) -> None:
    for deposit in deposits:
        name = f"deposit:{deposit.digest}"
        document["entity"][name] = {
            "prov:label": deposit.name,
            "dcterms:extent": {"$": str(deposit.size), "type": "xsd:long"},
            "dcterms:format": deposit.kind,
        }
        relate(document, "wasAttributedTo", f"by-{deposit.digest[:16]}", name, person)
        _add_use(document, number, deposit.digest, when)


def _add_use(document: Document, number: int, deposit: str, when: str, **attributes: object) -> None:
    used, activity = f"used-{deposit[:16]}", f"commit:{number}/compute"
    relate(document, "used", used, activity, f"deposit:{deposit}", **{"prov:time": when}, **attributes)


def _add_registers(document: Document, tables: Mapping[str, pd.DataFrame]) -> None:
    """Add sites, meters, checks and policies described in the commit, each derived from its rows."""
    lines_of: dict[tuple[str, str], list[str]] = {}
    for table, (prefix, column, labels) in REGISTERS.items():
        rows = tables.get(table)
        for (code, deposit), lines in places(rows, [column, "deposit"]).items():
            name = f"{prefix}:{safe(str(code))}"
            document["entity"].setdefault(name, {"prov:label": str(code)})
            lines_of.setdefault((name, str(deposit)), []).extend(lines)
        if rows is not None and labels:
            newest = rows[[column, *labels]].drop_duplicates(column, keep="last")
            for row in newest.to_dict("records"):
                document["entity"][f"{prefix}:{safe(row[column])}"] = {"prov:label": ", ".join(row.values())}
    for (name, deposit), lines in lines_of.items():
        relation = f"from-{name.replace(':', '-', 1)}-{deposit[:16]}"
        relate(document, "wasDerivedFrom", relation, name, f"deposit:{deposit}", **{"said:row": lines})
    checks = tables.get("checks")
    for row in () if checks is None else checks[["check", "instrument", "verdict"]].to_dict("records"):
        about = {"prov:label": f"{row['check']}, {row['verdict']}", "said:instrument": row["instrument"]}
        document["entity"][f"check:{safe(row['check'])}"] = about


def _add_gaugings(document: Document, number: int, gaugings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> None:
    """Add each revision made, what it was made from, and the revision it follows."""
    activity = f"commit:{number}/compute"
    entities = document["entity"]
    made, derived = (document.setdefault(section, {}) for section in ("wasGeneratedBy", "wasDerivedFrom"))
    rows = gaugings.sort_values(KEY, kind="stable")
    which = list(zip(rows["gauging_id"].tolist(), rows["revision"].tolist(), strict=True))
    attributes = _attributes(rows, which, tables.get("findings"))
    sources = _sources_of(rows, which, tables)
    labels = [f"{gauging_id} revision {revision}, " for gauging_id, revision in which]
    texts = (rows["status"].tolist(), rows["revision_reason"].tolist(), attributes, sources)
    # written as JSON text, members in canonical order: a commit holds thousands, and encoding each as a dict is slow
    for (gauging_id, revision), label, status, reason, about, source in zip(which, labels, *texts, strict=True):
        code = safe(gauging_id)
        name, key = f"gauging:{code}/{revision}", f"{code}-{revision}"
        head = f'"dcterms:description":{_text(reason)},"prov:label":{_text(label + status)}'
        entities[name] = _Written(f"{{{head}{about}}}")
        made[f"_:made-{key}"] = _Written(f'{{"prov:activity":"{activity}","prov:entity":"{name}"}}')
        derived[f"_:from-{key}"] = _Written(f'{{"prov:generatedEntity":"{name}",{source}}}')
        if revision > 1:
            before = f"gauging:{code}/{revision - 1}"
            relate(document, "wasDerivedFrom", f"revises-{key}", name, before, **{"prov:type": qname("prov:Revision")})


def _attributes(rows: pd.DataFrame, which: Sequence[tuple[str, int]], findings: pd.DataFrame | None) -> list[str]:
    """Write the ``said:`` attributes of each revision, as members of a JSON object."""
    codes_of = _codes_of(findings)
    members = {name: _members(rows[name], f',"said:{name}":') for name in GAUGING_LINKS if name in rows}
    members["finding"] = [f',"said:finding":{_text(codes_of[one])}' if one in codes_of else "" for one in which]
    return list(map("".join, zip(*(part for _, part in sorted(members.items())), strict=True)))


def _sources_of(rows: pd.DataFrame, which: Sequence[tuple[str, int]], tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Write the deposit and the lines of each revision, as members of a JSON object."""
    members = {"": _members("deposit:" + rows["deposit"], '"prov:usedEntity":')}
    lines_of = {name: _places(tables, name) for name in ("points", "samples")}
    heights = tables.get("gauge_heights")
    if heights is not None and "label" in rows:
        labelled = rows[["deposit", "label", *KEY]].rename(columns={"label": "gauging"})
        read_for = heights.loc[heights["gauging"].notna(), ["deposit", "gauging", "row_file", "row_line"]]
        lines_of["gauge_heights"] = places(read_for.merge(labelled, on=["deposit", "gauging"]), KEY)
    for name, lines in lines_of.items():
        if lines:
            members[name] = [f',"said:{name}":{_several(lines[one])}' if one in lines else "" for one in which]
    if "row_file" in rows:
        members["row"] = _members(rows["row_file"] + " " + rows["row_line"].astype("str"), ',"said:row":')
    return list(map("".join, zip(*(part for _, part in sorted(members.items())), strict=True)))


def _places(tables: Mapping[str, pd.DataFrame], name: str) -> dict[tuple[Hashable, ...], list[str]]:
    """Return the lines that hold the rows of each revision."""
    out: dict[tuple[Hashable, ...], list[str]] = {}
    for rows in parts_of(tables, name, [*KEY, "row_file", "row_line"]):
        out |= places(rows, KEY)
    return out


def _members(values: pd.Series, name: str) -> list[str]:
    """Write a column as members of JSON objects, encoding each distinct value once; a missing cell gives no text."""
    codes, words = pd.factorize(values)
    texts = [*(name + _text(word) for word in words.tolist()), ""]
    return [texts[code] for code in codes.tolist()]


def _several(texts: Sequence[str]) -> str:
    return _text(texts[0]) if len(texts) == 1 else _text(texts)


def _codes_of(findings: pd.DataFrame | None) -> dict[tuple[Any, ...], list[str]]:
    """List the distinct codes of findings of each revision; the rows come sorted by gauging and code."""
    out: dict[tuple[Any, ...], list[str]] = {}
    if findings is not None:
        names = ("gauging_id", "revision", "code")
        for gauging_id, revision, code in zip(*(findings[name].tolist() for name in names), strict=True):
            codes = out.setdefault((gauging_id, revision), [])
            if code not in codes:
                codes.append(code)
    return out


def _add_later_findings(document: Document, gaugings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> None:
    """Add findings on revisions made before the commit, and the rows or the check that caused them."""
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
        relate(document, "wasDerivedFrom", f"found-{tag}", name, f"gauging:{of}")
        source = f"deposit:{deposit}"
        relation = f"because-{tag}-{str(deposit)[:16]}"
        relate(document, "wasDerivedFrom", relation, name, source, **{"said:row": lines})
    for row in later[[*KEY, "code", *CAUSE[1:]]].to_dict("records") if check_at else ():
        check = check_at.get(tuple(row[name] for name in CAUSE[1:]))
        if check is not None:
            of = f"{safe(row['gauging_id'])}/{row['revision']}/{row['code']}"
            relation = f"by-check-{of.replace('/', '-')}"
            relate(document, "wasDerivedFrom", relation, f"finding:{of}", f"check:{safe(check)}")


def _add_reviews(document: Document, gaugings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> None:
    """Add each decision of a person, its rows, and the revisions whose status it changed."""
    reviews, rows = tables.get("reviews"), tables.get("gaugings", gaugings)
    if reviews is None:
        return
    made = pd.MultiIndex.from_frame(gaugings[KEY])
    earlier = ~pd.MultiIndex.from_frame(rows[KEY]).isin(made)
    decided = rows[earlier | (rows["status"] != "provisional").to_numpy()]
    revisions_of = decided.groupby("gauging_id")["revision"].agg(list).to_dict()
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
        stands = {"said:row": lines.get((subject, row["decided_at"]), [])}
        relate(document, "wasDerivedFrom", f"from-review-{tag}", name, f"deposit:{row['deposit']}", **stands)
        for revision in revisions_of.get(subject, ()):
            changed = f"gauging:{safe(subject)}/{revision}"
            relate(document, "wasInfluencedBy", f"decided-{tag}-{revision}", changed, name)
