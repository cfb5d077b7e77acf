"""Words and the invented example of the workbook a field party fills in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

TIME_EXAMPLE = "2025-05-01T10:00+02:00"

HOW = (
    "# Filling in this workbook",
    "One sheet is one table; keep the names of the sheets and of the columns. Sheets without rows may stay empty.",
    "A shaded column is needed in every row. The note on each column says what it holds and what is expected.",
    "A gauging is one row in gaugings and one row in points for every point of every vertical, under the same label.",
    "The section starts and ends with a row of kind edge, where the water ends. A dry rock or island has two edges.",
    f"Times are text with the offset from UTC, as in {TIME_EXAMPLE}. Where the program turns them into dates, the "
    "sheet offset must hold the offset from UTC that all dates of the workbook are in, as in +02:00.",
    "A label, or any value that holds for several rows, may stand in one cell merged downwards over these rows.",
    "Leave a cell empty when something was not measured. Zero means zero.",
    "Write values, not formulas. People are codes, never names.",
    "The sheets whose names begin with 'example' show one invented gauging; they and this sheet are not read.",
)

CAUTIONS = (
    "# Before anybody enters the water",
    "The rules of your own office and country decide; what stands here is no more than a reminder and replaces none.",
    "Whether to wade is decided on the bank, by the person who would go in, and anybody may say no without a reason.",
    "Depth times velocity above your office's limit is a reason not to enter. A smaller product is not permission.",
    "Stay out of rising, muddy or drifting water. In a flood, read the gauge from dry ground; a gauging can wait.",
    "Ice over moving water is uneven, weakest near banks and inflows; cold water takes strength in minutes.",
    "Never work alone. Wear a life jacket, have someone on the bank, a way out downstream and a way to call for help.",
    "Nothing this workbook or the archive computes says that wading is safe.",
)

_G: Mapping[str, Any] = MappingProxyType({"gauging": "example 1"})
EXAMPLES: Mapping[str, Sequence[Mapping[str, Any]]] = MappingProxyType(
    {
        "gaugings": (
            {
                **_G,
                "site": "INV-EX",
                "started_at": TIME_EXAMPLE,
                "ended_at": "2025-05-01T10:40+02:00",
                "method": "wading verticals",
                "party": "INV-P0",
                "section_method": "mid-section",
                "start_bank": "left",
                "field_quality": "good",
                "water_temperature_c": 10.0,
                "remarks": "invented example",
            },
        ),
        "points": (
            {**_G, "vertical": 1, "position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
            {**_G, "vertical": 2, "position_m": 1.0, "depth_m": 0.3, "kind": "open", "relative_depth": 0.6,
             "velocity_m_s": 0.2, "exposure_s": 40},
            {**_G, "vertical": 3, "position_m": 2.0, "depth_m": 0.6, "kind": "open", "relative_depth": 0.2,
             "velocity_m_s": 0.4, "exposure_s": 40},
            {**_G, "vertical": 3, "position_m": 2.0, "depth_m": 0.6, "kind": "open", "relative_depth": 0.8,
             "velocity_m_s": 0.3, "exposure_s": 40},
            {**_G, "vertical": 4, "position_m": 3.0, "depth_m": 0.3, "kind": "open", "relative_depth": 0.6,
             "velocity_m_s": 0.2, "exposure_s": 40},
            {**_G, "vertical": 5, "position_m": 4.0, "depth_m": 0.0, "kind": "edge"},
        ),
        "gauge_heights": (
            {"site": "INV-EX", "read_at": "2025-05-01T09:55+02:00", "gauge_height_m": 0.82, "source": "staff", **_G},
            {"site": "INV-EX", "read_at": "2025-05-01T10:45+02:00", "gauge_height_m": 0.83, "source": "staff", **_G},
        ),
        "sites": (
            {"site": "INV-EX", "name": "Example (invented)", "latitude": -40.0, "longitude": -20.0,
             "utc_offset": "+01:00"},
        ),
    }
)  # fmt: skip
"""One invented gauging in metric units, by table and canonical column."""
