"""The payload as an RO-Crate 1.2: each file with size and digest, the sites, the licences, and who published it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from stillwell.publishing.bag import Packed, one_line
from stillwell.publishing.facts import Facts, licence_address

DESCRIPTOR = "ro-crate-metadata.json"
CONTEXT = "https://w3id.org/ro/crate/1.2/context"
PROFILE = "https://w3id.org/ro/crate/1.2"
FORMATS = {
    ".parquet": ("application/vnd.apache.parquet", "rows that stand, with units in the file"),
    ".nc": ("application/x-netcdf", "gaugings or days of a site, or a year of its stage or discharge, CF and ACDD"),
    ".txt": ("text/plain", "what this is and how to read it"),
    ".json": ("application/json", "description in JSON"),
}
MEASURED = ("discharge", "mean velocity", "depth", "width", "area of the section", "gauge height", "uncertainty")


def crate_metadata(facts: Facts, files: Sequence[Packed]) -> dict[str, Any]:
    """Describe the payload.

    Parameters
    ----------
    facts : Facts
    files : sequence of Packed
        All files of the payload but the description itself.

    Returns
    -------
    dict
        JSON-LD.
    """
    parts = [_file(file) for file in sorted(files, key=lambda f: f.path)]
    licences = [_licence(licence) for licence in facts.licences]
    owners = [_organisation(name) for name in facts.owners]
    publisher = _organisation(facts.office["name"])
    grounds = [_ground(site) for site in facts.register.to_dict("records")]
    person = {"@id": f"#code-{quote(facts.by, safe='')}", "@type": "Person", "name": facts.by}
    software = {
        "@id": "#stillwell",
        "@type": "SoftwareApplication",
        "name": "stillwell",
        "softwareVersion": facts.software_version,
    }
    action = {
        "@id": "#publish",
        "@type": "CreateAction",
        "name": f"publish what is public on {facts.day.isoformat()}",
        "agent": _to(person),
        "instrument": _to(software),
        "result": {"@id": "./"},
    }
    root: dict[str, Any] = {
        "@id": "./",
        "@type": "Dataset",
        "name": facts.title,
        "description": facts.abstract,
        "datePublished": facts.day.isoformat(),
        "license": _one_or_many([_to(licence) for licence in licences]),
        "creator": _one_or_many([_to(owner) for owner in owners]),
        "publisher": _to(publisher),
        "identifier": facts.name,
        "spatialCoverage": [_to(place) for place, _ in grounds],
        "variableMeasured": list(MEASURED),
        "hasPart": [_to(part) for part in parts],
        "mentions": _to(action),
    }
    if facts.period:
        root["temporalCoverage"] = "/".join(facts.period)
    descriptor = {
        "@id": DESCRIPTOR,
        "@type": "CreativeWork",
        "conformsTo": {"@id": PROFILE},
        "about": {"@id": "./"},
    }
    described = {item["@id"]: item for item in [*owners, publisher, *licences, person, software, action]}
    ground = [item for pair in grounds for item in pair]
    return {"@context": CONTEXT, "@graph": [descriptor, root, *parts, *described.values(), *ground]}


def _file(file: Packed) -> dict[str, Any]:
    path = file.path.removeprefix("data/")
    ending = path[path.rindex(".") :]
    kind, what = FORMATS[ending]
    return {
        "@id": quote(path),
        "@type": "File",
        "name": path,
        "description": what,
        "encodingFormat": kind,
        "contentSize": str(file.size),
        "sha256": file.digests["sha256"],
    }


def _licence(licence: str) -> dict[str, Any]:
    identity = licence_address(licence) or f"#licence-{quote(licence, safe='')}"
    return {"@id": identity, "@type": "CreativeWork", "name": one_line(licence)}


def _organisation(name: str) -> dict[str, Any]:
    return {"@id": f"#organisation-{quote(name, safe='')}", "@type": "Organization", "name": one_line(name)}


def _ground(site: dict[Any, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Describe a site as a place, and the point it lies at."""
    code = quote(str(site["site"]), safe="")
    point = {
        "@id": f"#point-{code}",
        "@type": "GeoCoordinates",
        "latitude": float(site["latitude"]),
        "longitude": float(site["longitude"]),
    }
    place = {
        "@id": f"#site-{code}",
        "@type": "Place",
        "name": one_line(str(site["name"])),
        "identifier": str(site["site"]),
        "geo": _to(point),
    }
    return place, point


def _to(item: dict[str, Any]) -> dict[str, str]:
    return {"@id": item["@id"]}


def _one_or_many(items: list[dict[str, str]]) -> Any:
    return items[0] if len(items) == 1 else items
