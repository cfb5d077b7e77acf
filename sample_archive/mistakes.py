"""Mistakes of real field sheets, one each: every function spoils a good sheet in one way. Judges nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sample_archive.field import Sheet
from sample_archive.habits import ANGLE, EXPOSURE, FRACTION, HEAD, HEIGHTS, POSITION, VELOCITY, Layout, plain

LAYOUT = Layout(
    gaugings=(*HEAD, *plain("start_bank", "remarks")),
    points=(
        *plain("gauging", "vertical"),
        *POSITION,
        *plain("kind"),
        FRACTION,
        VELOCITY,
        EXPOSURE,
        ANGLE,
        *plain("velocity_is_normal", "revolutions"),
    ),
    gauge_heights=HEIGHTS,
)


@dataclass(frozen=True)
class Mistake:
    """A way to spoil a sheet, and why intake gives the gauging back."""

    spoil: Callable[[Sheet], None]
    file: str
    column: str
    reason: str


def depth_below_zero(sheet: Sheet) -> None:
    """Put a minus before a depth."""
    sheet.points[5]["depth_m"] *= -1


def no_offset(sheet: Sheet) -> None:
    """Write a start without its offset from UTC."""
    sheet.header["started_at"] = sheet.started.strftime("%Y-%m-%dT%H:%M")


def unknown_site(sheet: Sheet) -> None:
    """Name a site that no register knows."""
    sheet.header["site"] = "INV-KSE"


def one_position_twice(sheet: Sheet) -> None:
    """Write the position of the vertical before."""
    sheet.points[7]["position_m"] = sheet.points[6]["position_m"]


def no_edges(sheet: Sheet) -> None:
    """Leave out where the water ends."""
    sheet.points = [row for row in sheet.points if row["kind"] != "edge"]


def depth_in_percent(sheet: Sheet) -> None:
    """Write a fraction of the depth as a percentage."""
    sheet.points[4]["relative_depth"] = "60"


def ends_before_it_starts(sheet: Sheet) -> None:
    """Swap start and end."""
    header = sheet.header
    header["started_at"], header["ended_at"] = header["ended_at"], header["started_at"]


def unknown_meter(sheet: Sheet) -> None:
    """Name a meter that no register knows."""
    sheet.header["instrument"] = "INV-AC9"


def label_twice(sheet: Sheet) -> None:
    """Nothing to spoil in the sheet: its header is written twice."""


def header_lost(sheet: Sheet) -> None:
    """Nothing to spoil in the sheet: its header is not written."""


def angle_without_a_word(sheet: Sheet) -> None:
    """Write an angle, but not whether the velocity is normal to the section already."""
    sheet.points[6]["flow_angle_deg"] = 15


def turns_without_rating(sheet: Sheet) -> None:
    """Write revolutions of a meter that has no calibration."""
    sheet.points[6] |= {"velocity_m_s": None, "revolutions": 61}


MISTAKES = (
    Mistake(depth_below_zero, "points.csv", "depth_m", "a depth below zero"),
    Mistake(no_offset, "gaugings.csv", "started_at", "a time without its offset"),
    Mistake(unknown_site, "gaugings.csv", "site", "a site that no register knows"),
    Mistake(one_position_twice, "points.csv", "position_m", "two verticals on one position"),
    Mistake(no_edges, "points.csv", "kind", "no rows of kind edge"),
    Mistake(depth_in_percent, "points.csv", "relative_depth", "a relative depth outside 0..1"),
    Mistake(ends_before_it_starts, "gaugings.csv", "ended_at", "an end before the start"),
    Mistake(unknown_meter, "gaugings.csv", "instrument", "a meter that no register knows"),
    Mistake(label_twice, "gaugings.csv", "gauging", "one label for two gaugings"),
    Mistake(header_lost, "points.csv", "gauging", "points of a gauging that is not there"),
    Mistake(angle_without_a_word, "points.csv", "velocity_is_normal", "an angle, and not what the velocity is"),
    Mistake(turns_without_rating, "points.csv", "revolutions", "revolutions of a meter without calibration"),
)
"""In the order of ``season.MISTAKEN``; the last gauging there has none and is taken."""
