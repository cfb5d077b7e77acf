"""One PROV-JSON document of what is published: gaugings and records and what they rest on, persons by code only.

It is picked from the archive's own documents, without the labels and descriptions that may hold what somebody typed,
such as the name of a file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Set
from datetime import date
from typing import Any
from urllib.parse import unquote

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.provenance.beside_gaugings import handed_in_names
from stillwell.archive.provenance.mapping import (
    DERIVED,
    HANDED_IN,
    PREFIXES,
    RELATIONS,
    Document,
    agents,
    relate,
    related,
)
from stillwell.archive.provenance.names import qname, record_name, safe
from stillwell.fingerprint import canonical_json
from stillwell.publishing.rows import CODE, NOT_A_CODE

COPIED = (
    "wasGeneratedBy",
    "used",
    "wasDerivedFrom",
    "wasAttributedTo",
    "wasAssociatedWith",
    "wasInformedBy",
    "wasInfluencedBy",
)
"""Relations that are copied."""
ATTRIBUTES = ("prov:type", "prov:startTime", "prov:endTime", "prov:time", "prov:plan", "dcterms:extent")
"""Attributes that are copied as they are."""
LABELLED = ("commit", "software")
"""Prefixes of names whose labels the software wrote."""
DATASET = "urn:stillwell:dataset:"


def published_provenance(
    archive: Archive,
    gaugings: pd.DataFrame,
    recorded: Set[str],
    *,
    day: date,
    by: str,
    dataset: str,
    software_version: str,
) -> bytes:
    """Write the provenance of what is published.

    Parameters
    ----------
    archive : Archive
    gaugings : DataFrame
        Those that are published.
    recorded : set of str
        Names of the stage, ratings and records that are published, from ``recorded_names``.
    day : date
    by : str
        Code of whoever publishes.
    dataset : str
        Digest that names the data set.
    software_version : str
        Of the software that publishes.

    Returns
    -------
    bytes
        Canonical JSON.
    """
    whole = _merged(archive)
    members = [
        f"gauging:{safe(name)}/{revision}"
        for name, revision in zip(gaugings["gauging_id"], gaugings["revision"], strict=True)
    ]
    members += sorted(recorded & whole.get("entity", {}).keys())
    document = _picked(whole, members)
    _add_publishing(document, members, day, by, dataset, software_version)
    return canonical_json({name: section for name, section in document.items() if section})


def _merged(archive: Archive) -> Document:
    """Merge the provenance of all commits."""
    whole: Document = {}
    for path in sorted(path for path in archive.listing() if path.startswith("provenance/")):
        for name, section in json.loads(archive.document(path)).items():
            merged = whole.setdefault(name, {})
            for key, record in section.items() if name != "prefix" else ():
                # the name of a relation is good within its own document only
                merged[f"{path} {key}" if name in RELATIONS else key] = record
    return whole


def numbers_at(archive: Archive) -> dict[pd.Timestamp, int]:
    """Return the number of each commit by the moment it was recorded."""
    return {pd.Timestamp(entry.recorded_at): entry.number for entry in archive.ledger.entries()}


def recorded_names(numbers: Mapping[pd.Timestamp, int], table: str, rows: pd.DataFrame) -> set[str]:
    """Name the entities of some rows of stage, ratings or records in the archive's provenance; none of other tables.

    Parameters
    ----------
    numbers : mapping of Timestamp to int
        As of ``numbers_at``.
    table : str
    rows : DataFrame
        With every column.
    """
    if table in DERIVED:
        pairs = rows[["site", "recorded_at"]].drop_duplicates()
        return {record_name(site, numbers[at], table) for site, at in pairs.itertuples(index=False)}
    return handed_in_names(table, rows) if table in HANDED_IN else set()


def _picked(whole: Document, members: list[str]) -> Document:
    """Copy what the members rest on, without what people wrote."""
    entities = _ancestry(whole, members)
    made = {activity for entity, activity, _ in related(whole, "wasGeneratedBy") if entity in entities}
    activities = made | {earlier for step, earlier, _ in related(whole, "wasInformedBy") if step in made}
    linked = [(who, about) for step, who, about in related(whole, "wasAssociatedWith") if step in activities]
    entities |= {about["prov:plan"] for _, about in linked if "prov:plan" in about}
    given = {agent for entity, agent, _ in related(whole, "wasAttributedTo") if entity in entities}
    involved = given | {agent for agent, _ in linked}
    picked = entities | activities | involved
    document: Document = {
        "prefix": PREFIXES | {"dataset": DATASET},
        "entity": {name: _copied(name, whole.get("entity", {}).get(name, {})) for name in entities},
        "activity": {name: _copied(name, whole.get("activity", {}).get(name, {})) for name in activities},
        "agent": {_person(name): _agent(name, whole.get("agent", {}).get(name, {})) for name in involved},
    }
    for section in COPIED:
        ends = RELATIONS[section]
        relations = (
            _copied("", relation) | dict(zip(ends, map(_person, (start, end)), strict=True))
            for start, end, relation in related(whole, section)
            if start in picked and end in picked
        )
        unique = {canonical_json(relation): relation for relation in relations}
        document[section] = {f"_:{section}-{n}": unique[text] for n, text in enumerate(sorted(unique), 1)}
    return document


def _ancestry(whole: Document, members: list[str]) -> set[str]:
    """Follow derivations back from some entities to everything they rest on."""
    sources: dict[str, list[str]] = {}
    published = set(members)
    for made, used, _ in related(whole, "wasDerivedFrom"):
        # of the gaugings a rating was fitted to, those that are not published are not named
        if not made.startswith("adoption:") or not used.startswith("gauging:") or used in published:
            sources.setdefault(made, []).append(used)
    steps: dict[str, list[str]] = {}
    for activity, entity, _ in related(whole, "used"):
        steps.setdefault(activity, []).append(entity)
    for entity, activity, _ in related(whole, "wasGeneratedBy"):
        if entity.startswith("record:"):
            sources.setdefault(entity, []).extend(steps.get(activity, ()))
    reached, todo = set(members), list(members)
    while todo:
        fresh = [source for source in sources.get(todo.pop(), ()) if source not in reached]
        reached.update(fresh)
        todo += fresh
    return reached


def _copied(name: str, record: Mapping[str, Any]) -> dict[str, Any]:
    out = {key: record[key] for key in ATTRIBUTES if key in record}
    if name.split(":")[0] in LABELLED and "prov:label" in record:
        out["prov:label"] = record["prov:label"]
    return out


def _agent(name: str, record: Mapping[str, Any]) -> dict[str, Any]:
    if not name.startswith("by:"):
        return _copied(name, record)
    return _copied(name, record) | {"prov:label": unquote(_person(name).removeprefix("by:"))}


def _person(name: str) -> str:
    """Return the name of an agent; that of a person is replaced unless it can be a code."""
    if not name.startswith("by:") or re.fullmatch(CODE, unquote(name.removeprefix("by:"))):
        return name
    return f"by:{NOT_A_CODE}"


def _add_publishing(
    document: Document, members: list[str], day: date, by: str, dataset: str, software_version: str
) -> None:
    """Add who published what, on the day that was given."""
    act, made = f"dataset:{dataset}/publish", f"dataset:{dataset}"
    document["activity"][act] = {"prov:label": f"publish what is public on {day.isoformat()}"}
    document["entity"][made] = {
        "prov:type": qname("prov:Collection"),
        "dcterms:issued": {"$": day.isoformat(), "type": "xsd:date"},
    }
    relate(document, "wasGeneratedBy", "publish-made", made, act)
    for role, (agent, about) in zip(("software", "person"), agents(software_version, by).items(), strict=True):
        document["agent"].setdefault(agent, about)
        relate(document, "wasAssociatedWith", f"publish-{role}", act, agent)
    for n, name in enumerate(sorted(members), 1):
        relate(document, "hadMember", f"member-{n}", made, name)
