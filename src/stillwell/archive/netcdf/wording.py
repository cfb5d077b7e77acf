"""Words of a NetCDF file of gaugings that belong to no column: conventions, quality flags, coordinates."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

CONVENTIONS = "CF-1.11, ACDD-1.3"
NAMES = "CF Standard Name Table v93"

QC_VALUES = (1, 2, 3, 4, 9)
QC_MEANINGS = "good not_evaluated suspect bad missing"
"""Primary flags of IOC Manuals and Guides 54 vol. 3."""
SEVERITY_FLAG = MappingProxyType({"note": 1, "suspect": 3, "unusable": 4})


COORDINATES: Mapping[str, str] = MappingProxyType(
    {
        "gaugings": "gauging_time gauging_id station_id",
        "verticals": "time lat lon vertical_id",
        "points": "time lat lon depth",
    }
)
"""Coordinates of the variables made from the columns of a table."""
BESIDE_DISCHARGE = (
    "discharge_qc discharge_status discharge_method discharge_findings discharge_uncertainty_tables "
    "discharge_uncertainty_scatter"
)
"""Variables that say how good a discharge is."""


def meaning(word: str) -> str:
    """Write a word as a flag meaning: letters, digits and what CF allows, joined by underscores."""
    return "".join(c if c.isalnum() or c in "_-.+@" else "_" for c in word.replace(" ", "_"))
