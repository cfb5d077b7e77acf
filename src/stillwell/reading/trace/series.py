"""Reads stage, corrections, conditions, ratings, shifts and records in provenance documents into facts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stillwell.archive.provenance.mapping import KINDS, USED, related
from stillwell.reading.trace.graph import FITTED, REPLACED, Facts
from stillwell.reading.trace.names import PARTED, id_of, parted


def add_series(facts: Facts, number: int, document: Mapping[str, Mapping[str, Any]]) -> None:
    """Add the nodes and edges of stage, ratings and records of one document.

    Parameters
    ----------
    facts : Facts
        Added to.
    number : int
        Of the commit.
    document : mapping
        PROV-JSON.
    """
    for name, about in document.get("entity", {}).items():
        if name.partition(":")[0] in PARTED:
            _entity(facts, number, name, about)
    for adopted, rating, _ in related(document, "specializationOf"):
        facts.links.append((id_of(adopted), id_of(rating), "a state of", number))
    _records(facts, number, document)


def _entity(facts: Facts, number: int, name: str, about: Mapping[str, Any]) -> None:
    node, kind, label = id_of(name), name.partition(":")[0], str(about.get("prov:label", name))
    since, until = (str(about.get(f"said:{key}", "")) for key in ("from", "to"))
    label = f"{label}, commit {number}" if kind == "record" else label
    facts.describe(node, label, [("from", since), ("to", until)])
    facts.spans[node] = since, until
    if kind not in KINDS:
        return
    site, sensor, of = about.get("said:site"), about.get("said:sensor"), KINDS[kind].of
    if of == "rating":
        facts.links.append((node, f"rating:{about['said:rating']}", KINDS[kind].relation, number))
    elif of == "site" and site is not None:
        facts.links.append((node, f"site:{site}", KINDS[kind].relation, number))
    elif of == "sensor" and site is not None:
        place = sensor_id(str(site), str(sensor or ""))
        facts.describe(place, f"sensor {sensor} of {site}" if sensor else f"the only sensor of {site}")
        facts.links += [(node, place, KINDS[kind].relation, number), (place, f"site:{site}", "stands at", number)]


def sensor_id(site: str, sensor: str) -> str:
    """Make the id of a sensor, ``sensor:SITE/SENSOR``; nothing after the ``/`` is the site's only one."""
    return parted("sensor", site, sensor)


def _records(facts: Facts, number: int, document: Mapping[str, Mapping[str, Any]]) -> None:
    """Tie the records of a derivation to what their activity used, and to the records they replace."""
    used: dict[str, list[str]] = {}
    for activity, entity, _ in related(document, "used"):
        if entity.partition(":")[0] in USED:
            used.setdefault(activity, []).append(id_of(entity))
    for record, activity, _ in related(document, "wasGeneratedBy") if used else ():
        of_step = used.get(activity, ())
        facts.links += [(id_of(record), end, USED[end.partition(":")[0]], number) for end in of_step]
    for made, source, _ in related(document, "wasDerivedFrom"):
        if made.startswith("record:"):
            facts.aside.append((id_of(made), id_of(source), REPLACED, number))
        elif source.startswith("gauging:") and made.startswith("adoption:"):
            facts.aside.append((id_of(made), id_of(source), FITTED, number))
