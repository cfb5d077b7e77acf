"""What provenance documents say of stage, corrections, conditions, ratings, shifts and records, as facts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stillwell.reading.trace.graph import FITTED, REPLACED, Facts
from stillwell.reading.trace.names import PARTED, id_of, parted

USED = {
    "series": "stage from",
    "adoption": "rated by",
    "shift": "shifted by",
    "correction": "corrected by",
    "condition": "marked by",
    "site": "made at",
}
"""How a record rests on what its derivation used, by kind."""

OF_SENSOR = {"series": "recorded by", "correction": "corrects"}
OF_SITE = {"condition": "seen at", "adoption": "rating of"}


def add_series(facts: Facts, number: int, said: Mapping[str, Mapping[str, Any]]) -> None:
    """Add what one document says of stage, ratings and records.

    Parameters
    ----------
    facts : Facts
        Added to.
    number : int
        Of the commit.
    said : mapping
        PROV-JSON.
    """
    for name, about in said.get("entity", {}).items():
        if name.partition(":")[0] in PARTED:
            _entity(facts, number, name, about)
    for one in said.get("specializationOf", {}).values():
        ends = id_of(one["prov:specificEntity"]), id_of(one["prov:generalEntity"])
        facts.links.append((*ends, "a state of", number))
    _records(facts, number, said)


def _entity(facts: Facts, number: int, name: str, about: Mapping[str, Any]) -> None:
    node, kind, label = id_of(name), name.partition(":")[0], str(about.get("prov:label", name))
    since, until = (str(about.get(f"said:{key}", "")) for key in ("from", "to"))
    label = f"{label}, commit {number}" if kind == "record" else label
    facts.tell(node, label, [("from", since), ("to", until)])
    facts.spans[node] = since, until
    site, sensor = (about.get(f"said:{key}") for key in ("site", "sensor"))
    if kind in OF_SENSOR and site is not None:
        place = sensor_id(str(site), str(sensor or ""))
        facts.tell(place, f"sensor {sensor} of {site}" if sensor else f"the only sensor of {site}")
        facts.links += [(node, place, OF_SENSOR[kind], number), (place, f"site:{site}", "stands at", number)]
    elif kind in OF_SITE and site is not None:
        facts.links.append((node, f"site:{site}", OF_SITE[kind], number))
    elif kind == "shift":
        facts.links.append((node, f"rating:{about['said:rating']}", "shifts", number))


def sensor_id(site: str, sensor: str) -> str:
    """Make the id of a sensor, ``sensor:SITE/SENSOR``; nothing after the ``/`` is the site's only one."""
    return parted("sensor", site, sensor)


def _records(facts: Facts, number: int, said: Mapping[str, Mapping[str, Any]]) -> None:
    """Tie the records of a derivation to what their activity used, and to the record they take the place of."""
    used: dict[str, list[str]] = {}
    for use in said.get("used", {}).values():
        if use["prov:entity"].partition(":")[0] in USED:
            used.setdefault(use["prov:activity"], []).append(id_of(use["prov:entity"]))
    for made in said.get("wasGeneratedBy", {}).values() if used else ():
        record = id_of(made["prov:entity"])
        of_step = used.get(made["prov:activity"], ())
        facts.links += [(record, end, USED[end.partition(":")[0]], number) for end in of_step]
    for derived in said.get("wasDerivedFrom", {}).values():
        ends = id_of(derived["prov:generatedEntity"]), id_of(derived["prov:usedEntity"])
        if derived["prov:generatedEntity"].startswith("record:"):
            facts.aside.append((*ends, REPLACED, number))
        elif derived["prov:usedEntity"].startswith("gauging:") and ends[0].startswith("adoption:"):
            facts.aside.append((*ends, FITTED, number))
