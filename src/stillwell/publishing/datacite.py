"""The data set as a DataCite 4 record, ready to be registered. Registers nothing and invents no DOI."""

from __future__ import annotations

from typing import Any

from stillwell.publishing.bag import one_line
from stillwell.publishing.facts import Facts, licence_address

SCHEMA = "http://datacite.org/schema/kernel-4"


def datacite_record(facts: Facts, size: int) -> dict[str, Any]:
    """Describe a data set in the terms of the DataCite metadata kernel 4.

    Parameters
    ----------
    facts : Facts
    size : int
        Bytes of the tables and NetCDF files.

    Returns
    -------
    dict
        Ready for JSON. ``identifiers`` is left out: whoever registers the data set adds the DOI.
    """
    day = facts.day.isoformat()
    dates = [{"date": day, "dateType": "Issued"}]
    if facts.period:
        dates.append({"date": "/".join(facts.period), "dateType": "Collected"})
    return {
        "schemaVersion": SCHEMA,
        "types": {"resourceTypeGeneral": "Dataset", "resourceType": "Stream gaugings"},
        "creators": [{"name": one_line(owner), "nameType": "Organizational"} for owner in facts.owners],
        "titles": [{"title": facts.title}],
        "publisher": {"name": one_line(facts.office["name"])},
        "publicationYear": str(facts.day.year),
        "language": "en",
        "subjects": [{"subject": word} for word in ("hydrometry", "river discharge", "stream gauging", "hydrology")],
        "contributors": [
            {"name": one_line(facts.office["name"]), "nameType": "Organizational", "contributorType": "DataManager"}
        ],
        "dates": dates,
        "alternateIdentifiers": [{"alternateIdentifier": facts.name, "alternateIdentifierType": "URN of this edition"}],
        "sizes": [f"{size} bytes", f"{len(facts.gaugings)} gaugings"],
        "formats": ["application/vnd.apache.parquet", "application/x-netcdf", "application/json"],
        "version": day,
        "rightsList": [_rights(licence) for licence in facts.licences],
        "descriptions": [
            {"description": facts.abstract, "descriptionType": "Abstract"},
            {
                "description": (
                    "No DOI has been assigned by the software that wrote this record: identifiers are left out until "
                    "the data set is registered."
                ),
                "descriptionType": "Other",
            },
        ],
        "geoLocations": [
            {
                "geoLocationPlace": one_line(str(site["name"])),
                "geoLocationPoint": {
                    "pointLongitude": float(site["longitude"]),
                    "pointLatitude": float(site["latitude"]),
                },
            }
            for site in facts.register.to_dict("records")
        ],
    }


def _rights(licence: str) -> dict[str, str]:
    address = licence_address(licence)
    if address is None:
        return {"rights": one_line(licence)}
    return {
        "rights": licence,
        "rightsUri": address,
        "rightsIdentifier": licence,
        "rightsIdentifierScheme": "SPDX",
        "schemeUri": "https://spdx.org/licenses/",
    }
