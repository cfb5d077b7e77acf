"""Words of a NetCDF file of gaugings: which column becomes which variable, flags, global attributes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

CONVENTIONS = "CF-1.11, ACDD-1.3"
NAMES = "CF Standard Name Table v93"

QC_VALUES = (1, 2, 3, 4, 9)
QC_MEANINGS = "good not_evaluated suspect bad missing"
"""Primary flags of IOC Manuals and Guides 54 vol. 3."""
SEVERITY_FLAG = MappingProxyType({"note": 1, "suspect": 3, "unusable": 4})


@dataclass(frozen=True)
class Numbers:
    """Numeric columns of one table that become variables of the same name, unless renamed."""

    table: str
    columns: tuple[str, ...]
    coordinates: str


GAUGING_NUMBERS = Numbers(
    "gaugings",
    (
        "discharge_m3_s",
        "handed_in_discharge_m3_s",
        "area_m2",
        "width_m",
        "mean_velocity_m_s",
        "mean_depth_m",
        "max_depth_m",
        "max_velocity_m_s",
        "verticals",
        "points",
        "largest_share_pct",
        "gauge_height_m",
        "gauge_height_time_m",
        "gauge_height_discharge_m",
        "gauge_height_change_m",
        "storage_m3_s",
        "discharge_at_gauge_m3_s",
        "uncertainty_table_m3_s",
        "uncertainty_table_pct",
        "uncertainty_scatter_m3_s",
        "uncertainty_scatter_pct",
        "water_temperature_c",
        "revision",
    ),
    "gauging_time gauging_id station_id",
)
VERTICAL_NUMBERS = Numbers(
    "verticals",
    (
        "position_m",
        "depth_m",
        "mean_velocity_m_s",
        "cosine",
        "width_m",
        "area_m2",
        "discharge_m3_s",
        "share_pct",
        "channel",
        "order_walked",
    ),
    "time lat lon vertical_id",
)
POINT_NUMBERS = Numbers(
    "points",
    (
        "relative_depth",
        "velocity_m_s",
        "normal_velocity_m_s",
        "exposure_s",
        "samples",
        "velocity_sd_m_s",
        "velocity_se_m_s",
        "snr_db",
        "spikes",
        "flow_angle_deg",
        "revolutions",
        "repeat",
    ),
    "time lat lon depth",
)

RENAMED: Mapping[tuple[str, str], str] = MappingProxyType(
    {
        ("gaugings", "discharge_m3_s"): "discharge",
        ("gaugings", "handed_in_discharge_m3_s"): "discharge_handed_in",
        ("gaugings", "area_m2"): "section_area",
        ("gaugings", "width_m"): "section_width",
        ("gaugings", "mean_velocity_m_s"): "section_mean_velocity",
        ("gaugings", "mean_depth_m"): "section_mean_depth",
        ("gaugings", "max_depth_m"): "greatest_depth",
        ("gaugings", "max_velocity_m_s"): "greatest_velocity",
        ("gaugings", "verticals"): "number_of_verticals",
        ("gaugings", "points"): "number_of_points",
        ("gaugings", "largest_share_pct"): "largest_share",
        ("gaugings", "gauge_height_m"): "gauge_height",
        ("gaugings", "gauge_height_time_m"): "gauge_height_time_weighted",
        ("gaugings", "gauge_height_discharge_m"): "gauge_height_discharge_weighted",
        ("gaugings", "gauge_height_change_m"): "gauge_height_change",
        ("gaugings", "storage_m3_s"): "storage",
        ("gaugings", "discharge_at_gauge_m3_s"): "discharge_at_gauge",
        ("gaugings", "uncertainty_table_m3_s"): "discharge_uncertainty_tables",
        ("gaugings", "uncertainty_table_pct"): "discharge_uncertainty_tables_percent",
        ("gaugings", "uncertainty_scatter_m3_s"): "discharge_uncertainty_scatter",
        ("gaugings", "uncertainty_scatter_pct"): "discharge_uncertainty_scatter_percent",
        ("gaugings", "water_temperature_c"): "water_temperature",
        ("verticals", "position_m"): "distance_along_tag_line",
        ("verticals", "depth_m"): "water_depth",
        ("verticals", "mean_velocity_m_s"): "vertical_mean_velocity",
        ("verticals", "cosine"): "flow_angle_cosine",
        ("verticals", "width_m"): "panel_width",
        ("verticals", "area_m2"): "panel_area",
        ("verticals", "discharge_m3_s"): "panel_discharge",
        ("verticals", "share_pct"): "panel_share",
        ("points", "velocity_m_s"): "velocity",
        ("points", "normal_velocity_m_s"): "normal_velocity",
        ("points", "exposure_s"): "exposure_time",
        ("points", "velocity_sd_m_s"): "velocity_standard_deviation",
        ("points", "velocity_se_m_s"): "velocity_standard_error",
        ("points", "snr_db"): "signal_to_noise",
        ("points", "flow_angle_deg"): "flow_angle",
    }
)
"""Names of variables where the column's name carries a unit, which a variable has as an attribute."""

UDUNITS: Mapping[str, str] = MappingProxyType({"dB": "0.1 lg(re 1)"})
"""How a unit that UDUNITS does not know by its name is written for it."""

CELL_METHODS: Mapping[str, str] = MappingProxyType(
    {
        "discharge": "time: mean (over the gauging, velocity-area method unless method says otherwise)",
        "gauge_height": "time: mean (over the gauging)",
        "velocity": "time: mean (over exposure_time)",
        "normal_velocity": "time: mean (over exposure_time)",
    }
)
BESIDE_DISCHARGE = (
    "discharge_qc discharge_status discharge_method discharge_findings discharge_uncertainty_tables "
    "discharge_uncertainty_scatter"
)
"""Variables that say how good a discharge is."""

COVERAGE: Mapping[str, str] = MappingProxyType(
    {
        "revision": "referenceInformation",
        "number_of_verticals": "auxiliaryInformation",
        "number_of_points": "auxiliaryInformation",
        "largest_share": "qualityInformation",
        "discharge_uncertainty_tables": "qualityInformation",
        "discharge_uncertainty_tables_percent": "qualityInformation",
        "discharge_uncertainty_scatter": "qualityInformation",
        "discharge_uncertainty_scatter_percent": "qualityInformation",
        "signal_to_noise": "qualityInformation",
        "velocity_standard_error": "qualityInformation",
        "channel": "referenceInformation",
        "order_walked": "referenceInformation",
        "repeat": "referenceInformation",
    }
)


def meaning(word: str) -> str:
    """Write a word as a flag meaning: letters, digits and what CF allows, joined by underscores."""
    return "".join(c if c.isalnum() or c in "_-.+@" else "_" for c in word.replace(" ", "_"))
