"""One mapping between the archive's rows and PROV-JSON: kinds of entities, relations and their ends, attributes.

Commit documents, the published document and the trace that reads commit documents all use it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from stillwell.archive.disk.layout import entry_path
from stillwell.archive.provenance.names import qname, safe

Document = dict[str, Any]
"""PROV-JSON by section."""

PREFIXES = {
    "deposit": "urn:stillwell:deposit:sha256:",
    "gauging": "urn:stillwell:gauging:",
    "site": "urn:stillwell:site:",
    "instrument": "urn:stillwell:instrument:",
    "check": "urn:stillwell:check:",
    "finding": "urn:stillwell:finding:",
    "review": "urn:stillwell:review:",
    "policy": "urn:stillwell:policy:sha256:",
    "series": "urn:stillwell:series:",
    "correction": "urn:stillwell:correction:",
    "condition": "urn:stillwell:condition:",
    "rating": "urn:stillwell:rating:",
    "adoption": "urn:stillwell:adoption:",
    "shift": "urn:stillwell:shift:",
    "record": "urn:stillwell:record:",
    "commit": "urn:stillwell:commit:",
    "software": "urn:stillwell:software:",
    "by": "urn:stillwell:code:",
    "said": "urn:stillwell:said:",
    "dcterms": "http://purl.org/dc/terms/",
}

RELATIONS: Mapping[str, tuple[str, str]] = {
    "wasGeneratedBy": ("prov:entity", "prov:activity"),
    "used": ("prov:activity", "prov:entity"),
    "wasDerivedFrom": ("prov:generatedEntity", "prov:usedEntity"),
    "wasAttributedTo": ("prov:entity", "prov:agent"),
    "wasAssociatedWith": ("prov:activity", "prov:agent"),
    "wasInformedBy": ("prov:informed", "prov:informant"),
    "wasInfluencedBy": ("prov:influencee", "prov:influencer"),
    "specializationOf": ("prov:specificEntity", "prov:generalEntity"),
    "hadMember": ("prov:collection", "prov:entity"),
}
"""By section: the attributes of the start and the end of a relation."""

GAUGING_LINKS = {
    "site": ("site", "made at"),
    "instrument": ("instrument", "measured with"),
    "check_before": ("check", "meter last checked by"),
    "check_after": ("check", "meter next checked by"),
}
"""Columns of a gauging written as ``said:<column>``: the kind of thing each names, and its relation in a trace."""

ROWS = {
    "row": "stands on",
    "points": "points stand on",
    "samples": "samples stand on",
    "gauge_heights": "gauge read on",
}
"""Attributes ``said:<name>`` that give lines of a deposit, and their relation in a trace."""

REGISTERS = {
    "sites": ("site", "site", ("name",)),
    "datums": ("site", "site", ()),
    "instruments": ("instrument", "instrument", ("kind",)),
    "calibrations": ("instrument", "instrument", ()),
    "check_samples": ("check", "check", ()),
    "policies": ("policy", "policy_digest", ()),
}
"""By table: prefix of the entity, column of its code, and columns of its label."""


@dataclass(frozen=True)
class Kind:
    """How the rows that one deposit gives of a site, sensor or rating become one entity."""

    prefix: str
    key: tuple[str, ...]
    """Columns that name the entity, together with the deposit."""
    of: str
    """Kind of thing the entity belongs to in a trace."""
    relation: str
    """Relation to that thing."""
    used_as: str
    """Relation of a derived record to the entity."""
    since: str = ""
    until: str = ""
    """Columns of the start and end of a row's span; no end where rows are moments."""
    words: tuple[str, str] = ("", "")
    """What one row is called, and several."""


ADOPTION = Kind("adoption", ("rating",), "site", "rating of", "rated by")
"""A rating's own row and its segments; ``series`` writes its label."""

HANDED_IN = {
    "stage": Kind(
        "series", ("site", "sensor"), "sensor", "recorded by", "stage from", "time",
        words=("value of stage", "values of stage"),
    ),
    "corrections": Kind(
        "correction", ("site", "sensor"), "sensor", "corrects", "corrected by", "from", "to",
        words=("correction", "corrections"),
    ),
    "conditions": Kind(
        "condition", ("site",), "site", "seen at", "marked by", "from", "to", words=("condition", "conditions"),
    ),
    "shifts": Kind("shift", ("rating",), "rating", "shifts", "shifted by", "from", words=("shift", "shifts")),
    "ratings": ADOPTION,
    "rating_segments": ADOPTION,
}  # fmt: skip
"""By table."""

KINDS = {kind.prefix: kind for kind in HANDED_IN.values()}
"""By prefix of the entity."""


@dataclass(frozen=True)
class Derived:
    """How the rows that one commit derived at a site become one record."""

    words: str
    """What the rows are called."""
    since: str
    until: str
    """Columns of the start and end of a row's span."""


DERIVED = {
    "discharge": Derived("discharge", "time", "time"),
    "daily": Derived("daily values", "starts_at", "ends_at"),
    "series_doubts": Derived("doubts about stage", "from", "to"),
}
"""By table."""

USED = {prefix: kind.used_as for prefix, kind in KINDS.items()} | {"site": "made at"}
"""Relation of a record to each entity its derivation used, by prefix."""

INTAKE_MAP = "intake map"
"""Role in which a commit used an intake map."""

GAP = "said:gap_bridged_s"
"""Attribute of a derivation: values further apart than this, in s, were not joined."""


def commit_document(number: int, software_version: str, by: str, policy_digest: str) -> Document:
    """Start the document of a commit: its agents, its policy and its ledger entry."""
    return {
        "prefix": PREFIXES,
        "agent": agents(software_version, by),
        "entity": {
            f"policy:{policy_digest}": {
                "prov:type": qname("prov:Plan"),
                "prov:label": "limits and choices of the office",
            },
            f"commit:{number}": {"prov:label": entry_path(number)},
        },
        "activity": {},
    }


def agents(software_version: str, by: str) -> Document:
    """Describe the software and the person that made something."""
    return {
        f"software:{safe(software_version)}": {
            "prov:type": qname("prov:SoftwareAgent"),
            "prov:label": f"stillwell {software_version}",
        },
        f"by:{safe(by)}": {"prov:type": qname("prov:Person"), "prov:label": by},
    }


def add_activity(document: Document, name: str, when: str, label: str, **attributes: object) -> None:
    """Add an activity that a commit carried out at its moment."""
    document["activity"][name] = {"prov:startTime": when, "prov:endTime": when, "prov:label": label, **attributes}


def relate(document: Document, section: str, name: str, start: str, end: str, **attributes: object) -> None:
    """Add a relation between two things; ``name`` is good within the document only."""
    first, second = RELATIONS[section]
    document.setdefault(section, {})[f"_:{name}"] = {first: start, second: end, **attributes}


def related(document: Mapping[str, Mapping[str, Any]], section: str) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    """Read the relations of a section: start, end, and all attributes."""
    first, second = RELATIONS[section]
    for relation in document.get(section, {}).values():
        yield relation[first], relation[second], relation
