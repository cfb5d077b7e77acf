"""How each invented party writes its sheets: columns, units, rounding, separator, line ends. Rounds only here."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sample_archive.field import Habit

FOOT = 0.3048


@dataclass(frozen=True)
class Column:
    """A column as the party heads it."""

    name: str
    key: str
    """What it is in SI."""
    unit: float = 1.0
    """SI value of one unit of the column."""
    step: float | None = None
    """Smallest step the party writes, in its own unit; None for words and times."""
    zero: float = 0.0
    """SI value at zero of the column's scale."""


@dataclass(frozen=True)
class Layout:
    """A party's file format."""

    gaugings: tuple[Column, ...]
    points: tuple[Column, ...]
    gauge_heights: tuple[Column, ...]
    separator: str = ","
    decimal_mark: str = "."
    line_end: str = "\n"
    byte_order_mark: bool = False


def plain(*names: str) -> tuple[Column, ...]:
    """Columns of words, counts and times."""
    return tuple(Column(name, name) for name in names)


def written(value: Any, column: Column, decimal_mark: str = ".") -> str:
    """Write a cell as the party does: blank for nothing, rounded to its step."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes" if value.second == 0 else "seconds")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if column.step is None or isinstance(value, str):
        return str(value)
    digits = len(f"{column.step:.10f}".rstrip("0").partition(".")[2])
    steps = round((value - column.zero) / column.unit / column.step)
    text = f"{steps * column.step:.{digits}f}"
    return ("0" + text[2:] if text.startswith("-0") and not text.strip("-0.") else text).replace(".", decimal_mark)


def csv_bytes(rows: list[dict[str, Any]], columns: tuple[Column, ...], layout: Layout) -> bytes:
    """Write a table the way a party's program saves it."""
    lines = [[column.name for column in columns]]
    lines += [[written(row.get(column.key), column, layout.decimal_mark) for column in columns] for row in rows]
    text = csv_text(lines, layout.separator, layout.line_end)
    return (b"\xef\xbb\xbf" if layout.byte_order_mark else b"") + text.encode("utf-8")


def csv_text(lines: Iterable[Sequence[str]], separator: str = ",", line_end: str = "\n") -> str:
    """Write lines of cells, in quotes only where a cell holds the separator."""
    buffer = io.StringIO(newline="")
    csv.writer(buffer, delimiter=separator, lineterminator=line_end).writerows(lines)
    return buffer.getvalue()


HEAD = plain("gauging", "site", "started_at", "ended_at", "method", "instrument", "party")
RESULT = (
    Column("discharge_m3_s", "discharge_m3_s", step=0.001),
    Column("area_m2", "area_m2", step=0.01),
    Column("width_m", "width_m", step=0.01),
    Column("mean_velocity_m_s", "mean_velocity_m_s", step=0.001),
    Column("uncertainty_pct", "uncertainty_pct", step=0.1),
    Column("uncertainty_level", "uncertainty_level", step=1),
)
WARMTH = (
    Column("water_temperature_c", "water_temperature_c", step=0.1),
    Column("meter_temperature_c", "meter_temperature_c", step=0.1),
)
HEIGHTS = (
    *plain("site", "gauge", "read_at"),
    Column("gauge_height_m", "gauge_height_m", step=0.005),
    *plain("source"),
    Column("uncertainty_m", "uncertainty_m", step=0.001),
    *plain("observer", "gauging"),
)
POSITION = (Column("position_m", "position_m", step=0.01), Column("depth_m", "depth_m", step=0.01))
FRACTION = Column("relative_depth", "relative_depth", step=0.1)
VELOCITY = Column("velocity_m_s", "velocity_m_s", step=0.001)
EXPOSURE = Column("exposure_s", "exposure_s", step=1)
SIGNAL = Column("snr_db", "snr_db", step=0.1)
ERROR = Column("velocity_se_m_s", "velocity_se_m_s", step=0.0001)
ANGLE = Column("flow_angle_deg", "flow_angle_deg", step=1)

METRIC = Layout(
    gaugings=(
        *HEAD,
        *plain("visit", "check_of", "start_bank", "control_condition", "field_quality"),
        *WARMTH,
        *plain("remarks", "weather"),
    ),
    points=(
        *plain("gauging", "vertical"),
        *POSITION,
        *plain("kind"),
        FRACTION,
        VELOCITY,
        *plain("read_at"),
        EXPOSURE,
        *plain("samples"),
        ERROR,
        SIGNAL,
    ),
    gauge_heights=HEIGHTS,
)
"""First party: everything a good meter writes; one column nobody knows, the weather."""

FEET = Layout(
    gaugings=(
        *HEAD,
        *plain("sheet_number", "start_bank", "field_quality"),
        Column("water_temperature_f", "water_temperature_c", unit=5 / 9, step=0.5, zero=-160 / 9),
        *plain("remarks"),
    ),
    points=(
        *plain("gauging", "vertical"),
        Column("position_ft", "position_m", FOOT, 0.1),
        Column("depth_ft", "depth_m", FOOT, 0.05),
        *plain("kind"),
        FRACTION,
        Column("velocity_ft_s", "velocity_m_s", FOOT, 0.001),
        EXPOSURE,
        SIGNAL,
    ),
    gauge_heights=(
        *plain("site", "gauge", "read_at"),
        Column("gauge_height_ft", "gauge_height_m", FOOT, 0.01),
        *plain("source", "gauging"),
    ),
    line_end="\r\n",
    byte_order_mark=True,
)
"""Second party: feet, from the right bank, saved by a spreadsheet."""

COMMA = Layout(
    gaugings=(*HEAD, *plain("start_bank"), WARMTH[0], *plain("remarks")),
    points=(
        *plain("gauging", "vertical"),
        POSITION[0],
        Column("depth_cm", "depth_m", 0.01, 1),
        *plain("kind"),
        FRACTION,
        VELOCITY,
        Column("edge_velocity_ratio", "edge_velocity_ratio", step=0.01),
        EXPOSURE,
    ),
    gauge_heights=(
        *plain("site", "read_at"),
        Column("gauge_height_cm", "gauge_height_m", 0.01, 0.5),
        *plain("source", "gauging"),
    ),
    separator=";",
    decimal_mark=",",
)
"""Third party: centimetres, semicolons, decimal commas."""

DETAIL = Layout(
    gaugings=(
        *HEAD,
        *plain("visit", "check_of", "start_bank", "control_condition", "field_quality"),
        *WARMTH,
        *plain("remarks"),
    ),
    points=(
        *plain("gauging", "vertical"),
        *POSITION,
        *plain("kind"),
        FRACTION,
        VELOCITY,
        *plain("read_at"),
        EXPOSURE,
        *plain("samples"),
        Column("velocity_sd_m_s", "velocity_sd_m_s", step=0.001),
        ERROR,
        SIGNAL,
        ANGLE,
        *plain("velocity_is_normal", "repeat"),
    ),
    gauge_heights=HEIGHTS,
)
"""Fourth party: up to five points, angles, repeats."""

TURNS = Layout(
    gaugings=(
        *HEAD,
        *plain("section_method", "start_bank", "field_quality"),
        WARMTH[0],
        RESULT[0],
        *plain("result_by", "remarks"),
    ),
    points=(
        *plain("gauging", "vertical"),
        *POSITION,
        *plain("kind"),
        FRACTION,
        *plain("repeat"),
        Column("revolutions", "revolutions", step=1),
        Column("exposure_s", "exposure_s", step=0.1),
    ),
    gauge_heights=HEIGHTS,
)
"""Fifth party: a rotating meter, mean-section."""

CASUAL = Layout(
    gaugings=(*HEAD, *plain("start_bank", "field_quality"), *WARMTH, *RESULT, *plain("result_by", "remarks")),
    points=(*METRIC.points[:7], EXPOSURE, SIGNAL),
    gauge_heights=HEIGHTS,
)
"""Sixth party: in a hurry."""

PARTIES = {
    "INV-P1": Habit("INV-P1", "INV-AC1", reads=("before", "during", "after")),
    "INV-P2": Habit("INV-P2", "INV-AC2", start_bank="right", verticals=25, exposure_s=45.0),
    "INV-P3": Habit("INV-P3", "INV-EM1", many_points="one", verticals=14, snr_db=None),
    "INV-P4": Habit("INV-P4", "INV-AC3", many_points="five", verticals=26, exposure_s=60.0, snr_db=33.0),
    "INV-P5": Habit("INV-P5", "INV-RE1", section_method="mean-section", verticals=22, exposure_s=50.0, snr_db=None),
    "INV-P6": Habit("INV-P6", "INV-AC2", verticals=14, exposure_s=30.0, snr_db=24.0, reads=("before",)),
}
"""Codes of invented parties and their habits."""
LAYOUTS = {
    "INV-P1": METRIC,
    "INV-P2": FEET,
    "INV-P3": COMMA,
    "INV-P4": DETAIL,
    "INV-P5": TURNS,
    "INV-P6": CASUAL,
}
CALIBRATION = (("2024-06-03T00:00+00:00", ((0.0, 1.5, 0.248, 0.012), (1.5, 12.0, 0.256, 0.000))),)
"""Rating of the rotating meter: from, to (revolutions per second), metres per revolution, m/s."""


def turned(row: dict[str, Any]) -> dict[str, Any]:
    """Give a point its revolutions in place of its velocity: whole turns, and the time they took."""
    if row.get("velocity_m_s") is None:
        return row
    pieces = CALIBRATION[0][1]
    rates = [max((row["velocity_m_s"] - intercept) / slope, 0.0) for _, _, slope, intercept in pieces]
    rate = rates[0] if rates[0] <= pieces[0][1] else rates[1]
    turns = round(rate * row["exposure_s"])
    seconds = turns / rate if turns else row["exposure_s"]
    return row | {"velocity_m_s": None, "revolutions": turns, "exposure_s": seconds}
