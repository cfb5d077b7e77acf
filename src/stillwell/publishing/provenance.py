"""One PROV-JSON document of what goes out: gaugings and records published and what they rest on, persons by code only.

Everything is picked from the archive's own provenance; a label or description that may hold what somebody typed, such
as the name of a file, stays behind.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Set
from datetime import date
from typing import Any
from urllib.parse import quote, unquote

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.provenance.derived import WORDS as DERIVED
from stillwell.archive.provenance.document import PREFIXES
from stillwell.archive.provenance.names import handed_in_name, record_name
from stillwell.archive.provenance.series import KINDS, RATING, with_sensor
from stillwell.fingerprint import canonical_json
from stillwell.publishing.rows import CODE, NOT_A_CODE

RELATIONS: Mapping[str, tuple[str, str]] = {
    "wasGeneratedBy": ("prov:entity", "prov:activity"),
    "used": ("prov:activity", "prov:entity"),
    "wasDerivedFrom": ("prov:generatedEntity", "prov:usedEntity"),
    "wasAttributedTo": ("prov:entity", "prov:agent"),
    "wasAssociatedWith": ("prov:activity", "prov:agent"),
    "wasInformedBy": ("prov:informed", "prov:informant"),
    "wasInfluencedBy": ("prov:influencee", "prov:influencer"),
}
"""Relations that are taken over, and the two ends of each."""
TAKEN_OVER = ("prov:type", "prov:startTime", "prov:endTime", "prov:time", "prov:plan", "dcterms:extent")
"""Attributes that are taken over as they are."""
LABELLED = ("commit", "software")
"""Kinds of names whose labels the software wrote."""
DATASET = "urn:stillwell:dataset:"

Records = dict[str, dict[str, Any]]


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
        Those that go out.
    recorded : set of str
        Names of the stage, ratings and records that go out, as of ``recorded_names``.
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
    known = _merged(archive)
    members = [
        f"gauging:{_safe(name)}/{revision}"
        for name, revision in zip(gaugings["gauging_id"], gaugings["revision"], strict=True)
    ]
    members += sorted(recorded & known.get("entity", {}).keys())
    document = _picked(known, members)
    _add_publishing(document, members, day, by, dataset, software_version)
    return canonical_json({name: value for name, value in document.items() if value})


def _merged(archive: Archive) -> dict[str, Records]:
    """Lay the provenance of all commits together."""
    known: dict[str, Records] = {}
    for path in sorted(path for path in archive.listing() if path.startswith("provenance/")):
        for kind, records in json.loads(archive.document(path)).items():
            mine = known.setdefault(kind, {})
            for name, record in records.items() if kind != "prefix" else ():
                # the name of a relation is good within its own document only
                mine[f"{path} {name}" if kind in RELATIONS else name] = record
    return known


def numbers_at(archive: Archive) -> dict[pd.Timestamp, int]:
    """Return the number of each commit by its moment."""
    return {pd.Timestamp(entry.recorded_at): entry.number for entry in archive.ledger.entries()}


def recorded_names(numbers: Mapping[pd.Timestamp, int], table: str, rows: pd.DataFrame) -> set[str]:
    """Name what the archive's provenance tells of some rows of stage, ratings or records; nothing of other tables.

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
    names = set()
    if table in KINDS:
        kind = KINDS[table]
        parts = with_sensor(rows)[[*kind.key, "deposit"]].drop_duplicates()
        keys = (tuple(map(str, key)) for key in parts.itertuples(index=False))
        names |= {handed_in_name(kind.prefix, key[:-1], key[-1]) for key in keys}
    if table in RATING:
        pairs = rows[["rating", "deposit"]].drop_duplicates()
        names |= {handed_in_name("adoption", (name,), deposit) for name, deposit in pairs.itertuples(index=False)}
    return names


def _picked(known: Mapping[str, Records], members: list[str]) -> dict[str, Any]:
    entities = _ancestry(known, members)
    made = {r["prov:activity"] for r in _of(known, "wasGeneratedBy") if r["prov:entity"] in entities}
    earlier = {r["prov:informant"] for r in _of(known, "wasInformedBy") if r["prov:informed"] in made}
    activities = made | earlier
    linked = [r for r in _of(known, "wasAssociatedWith") if r["prov:activity"] in activities]
    entities |= {r["prov:plan"] for r in linked if "prov:plan" in r}
    given = {r["prov:agent"] for r in _of(known, "wasAttributedTo") if r["prov:entity"] in entities}
    agents = given | {r["prov:agent"] for r in linked}
    kept = entities | activities | agents
    document: dict[str, Any] = {
        "prefix": PREFIXES | {"dataset": DATASET},
        "entity": {name: _plain(name, known.get("entity", {}).get(name, {})) for name in entities},
        "activity": {name: _plain(name, known.get("activity", {}).get(name, {})) for name in activities},
        "agent": {_person(name): _agent(name, known.get("agent", {}).get(name, {})) for name in agents},
    }
    for kind, ends in RELATIONS.items():
        found = [_relation(r, ends) for r in _of(known, kind) if all(r[end] in kept for end in ends)]
        unique = {canonical_json(r): r for r in found}
        document[kind] = {f"_:{kind}-{n}": unique[text] for n, text in enumerate(sorted(unique), 1)}
    return document


def _ancestry(known: Mapping[str, Records], members: list[str]) -> set[str]:
    """Follow derivations back from some entities to everything they rest on."""
    sources: dict[str, list[str]] = {}
    going = set(members)
    for record in _of(known, "wasDerivedFrom"):
        made, used = record["prov:generatedEntity"], record["prov:usedEntity"]
        # of the gaugings a rating was fitted to, those that do not go out themselves are not named
        if not made.startswith("adoption:") or not used.startswith("gauging:") or used in going:
            sources.setdefault(made, []).append(used)
    steps: dict[str, list[str]] = {}
    for use in _of(known, "used"):
        steps.setdefault(use["prov:activity"], []).append(use["prov:entity"])
    for record in _of(known, "wasGeneratedBy"):
        if record["prov:entity"].startswith("record:"):
            sources.setdefault(record["prov:entity"], []).extend(steps.get(record["prov:activity"], ()))
    found, open_ = set(members), list(members)
    while open_:
        fresh = [source for source in sources.get(open_.pop(), ()) if source not in found]
        found.update(fresh)
        open_ += fresh
    return found


def _of(known: Mapping[str, Records], kind: str) -> Iterator[dict[str, Any]]:
    yield from known.get(kind, {}).values()


def _plain(name: str, record: Mapping[str, Any]) -> dict[str, Any]:
    out = {key: record[key] for key in TAKEN_OVER if key in record}
    if name.split(":")[0] in LABELLED and "prov:label" in record:
        out["prov:label"] = record["prov:label"]
    return out


def _agent(name: str, record: Mapping[str, Any]) -> dict[str, Any]:
    if not name.startswith("by:"):
        return _plain(name, record)
    return _plain(name, record) | {"prov:label": unquote(_person(name).removeprefix("by:"))}


def _person(name: str) -> str:
    """Name an agent; a person only by what can be a code."""
    if not name.startswith("by:") or re.fullmatch(CODE, unquote(name.removeprefix("by:"))):
        return name
    return f"by:{NOT_A_CODE}"


def _relation(record: Mapping[str, Any], ends: tuple[str, str]) -> dict[str, Any]:
    return _plain("", record) | {end: _person(record[end]) for end in ends}


def _add_publishing(
    document: dict[str, Any], members: list[str], day: date, by: str, dataset: str, software_version: str
) -> None:
    """Say who published what, on which day; the day is the one given, not the clock's."""
    act, made, software, person = (
        f"dataset:{dataset}/publish", f"dataset:{dataset}", f"software:{_safe(software_version)}", f"by:{_safe(by)}",
    )  # fmt: skip
    document["activity"][act] = {"prov:label": f"publish what is public on {day.isoformat()}"}
    document["entity"][made] = {
        "prov:type": {"$": "prov:Collection", "type": "prov:QUALIFIED_NAME"},
        "dcterms:issued": {"$": day.isoformat(), "type": "xsd:date"},
    }
    for name, kind, label in (
        (software, "prov:SoftwareAgent", f"stillwell {software_version}"),
        (person, "prov:Person", by),
    ):
        typed = {"prov:type": {"$": kind, "type": "prov:QUALIFIED_NAME"}, "prov:label": label}
        document["agent"].setdefault(name, typed)
    document["wasGeneratedBy"]["_:publish-made"] = {"prov:entity": made, "prov:activity": act}
    document["wasAssociatedWith"] |= {
        f"_:publish-{role}": {"prov:activity": act, "prov:agent": agent}
        for role, agent in (("software", software), ("person", person))
    }
    document["hadMember"] = {
        f"_:member-{n}": {"prov:collection": made, "prov:entity": name} for n, name in enumerate(sorted(members), 1)
    }


def _safe(text: str) -> str:
    """Write a code as the local part of a name, as the archive's own provenance does."""
    return quote(text, safe="").replace("~", "%7E")
