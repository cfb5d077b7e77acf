"""Registers, meter checks and weekly readings of the invented season, as rows of text. All codes are invented."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from sample_archive.field import local
from sample_archive.habits import CALIBRATION
from sample_archive.river import RIVERS, SEED

Rows = list[list[str]]


def sites() -> Rows:
    """Four sites of an invented country, on positions in the open ocean."""
    head = ["site", "name", "latitude", "longitude", "horizontal_datum", "river", "utc_offset"]
    head += ["water_year_start_month", "catchment_km2", "owner", "licence", "access"]
    office = ["Invented Hydrometric Office", "CC0-1.0", "open"]
    rows = [
        [
            *(r.code, r.name, f"{r.latitude:.3f}", f"{r.longitude:.3f}", "invented datum", r.river),
            *("-02:00", "10", f"{r.catchment_km2:g}", *office),
        ]
        for r in RIVERS.values()
    ]
    return [head, *rows]


def datums() -> Rows:
    """Zero of each reference gauge; one gauge was set anew."""
    head = ["site", "gauge", "valid_from", "gauge_zero_m", "vertical_datum", "change_m", "reason", "by"]
    zeros = zip(RIVERS, ("212.400", "48.115", "96.730", "131.902"), strict=True)
    rows = [
        [site, "staff", "2019-10-01T00:00-02:00", zero, "invented datum", "0", "first levelling", "INV-L1"]
        for site, zero in zeros
    ]
    moved = ["INV-ORM", "staff", "2024-09-12T12:00-02:00", "48.121", "invented datum", "0.006"]
    return [head, *rows, [*moved, "set anew after a flood", "INV-L1"]]


def instruments() -> Rows:
    """Six meters."""
    head = ["instrument", "kind", "axes", "serial", "firmware", "minimum_depth_m", "snr_low_db", "snr_unusable_db"]
    return [
        head,
        ["INV-AC1", "acoustic point", "2", "invented 1", "1.2", "0.02", "10", "4"],
        ["INV-AC2", "acoustic point", "2", "invented 2", "1.2", "0.02", "10", "4"],
        ["INV-AC3", "acoustic point", "3", "invented 3", "2.0", "0.05", "10", "4"],
        ["INV-EM1", "electromagnetic", "1", "invented 4", "", "0.05", "", ""],
        ["INV-RE1", "rotating element", "1", "invented 5", "", "0.08", "", ""],
        ["INV-MB1", "other", "3", "invented 6", "5.1", "0.30", "", ""],
    ]


def calibrations() -> Rows:
    """Rating of the rotating meter, in two pieces that meet."""
    head = ["instrument", "valid_from", "from_rev_s", "to_rev_s", "slope", "intercept"]
    rows = [
        ["INV-RE1", since, f"{low:g}", f"{high:g}", f"{slope:.3f}", f"{intercept:.3f}"]
        for since, pieces in CALIBRATION
        for low, high, slope, intercept in pieces
    ]
    return [head, *rows]


CHECKS = (
    ("INV-C01", "INV-AC1", "2024-10-07T08:00", "office", 2, "healthy"),
    ("INV-C02", "INV-AC1", "2025-01-15T09:30", "field", 2, "healthy"),
    ("INV-C03", "INV-AC1", "2025-04-22T08:00", "office", 2, "healthy"),
    ("INV-C04", "INV-AC2", "2024-10-21T08:10", "office", 2, "healthy"),
    ("INV-C05", "INV-AC2", "2025-02-17T08:10", "office", 2, "warm"),
    ("INV-C06", "INV-AC3", "2024-10-28T08:00", "office", 3, "healthy"),
    ("INV-C07", "INV-AC3", "2025-03-04T08:00", "office", 3, "healthy"),
    ("INV-C08", "INV-AC3", "2025-05-16T08:00", "office", 3, "sick receiver"),
    ("INV-C09", "INV-AC3", "2025-06-02T08:00", "office", 3, "healthy"),
    ("INV-C10", "INV-AC3", "2025-08-04T08:00", "field", 4, "healthy"),
)
"""Check, meter, local time, place, receivers, and how the meter really was."""


def checks() -> Rows:
    """Twenty samples a check, one a second; receiver 2 of one check is sick, the thermometer of another is warm."""
    head = ["check", "instrument", "checked_at", "place", "sample", "sample_s", "receiver", "snr_db", "noise_db"]
    head += ["echo_db", "echo_range_m", "water_temperature_c", "reference_temperature_c", "thermometer"]
    head += ["firmware", "battery_v"]
    rows = []
    for number, (check, meter, at, place, receivers, state) in enumerate(CHECKS):
        rng = np.random.default_rng([SEED, 211, number])
        reference = 12.0 + rng.normal(0, 2)
        moment = local(at).isoformat(timespec="minutes")
        firmware = "2.0" if meter == "INV-AC3" else "1.2"
        for sample in range(1, 21):
            for receiver in range(1, receivers + 1):
                sick = state == "sick receiver" and receiver == 2
                signal = 34.0 - (13.0 + 0.2 * sample if sick else 0.0) + rng.normal(0, 2.5 if sick else 0.7)
                noise = 42.0 + (9.0 + 0.3 * sample if sick else 0.0) + rng.normal(0, 0.5)
                echo = 71.0 - (12.0 if sick else 0.0) + rng.normal(0, 0.8)
                warmth = reference + (2.6 if state == "warm" else 0.0) + rng.normal(0, 0.04)
                rows.append(
                    [
                        *(check, meter, moment, place, str(sample), f"{sample - 1}", str(receiver), f"{signal:.1f}"),
                        *(f"{noise:.1f}", f"{echo:.1f}", f"{0.412 + rng.normal(0, 0.002):.3f}", f"{warmth:.2f}"),
                        *(f"{reference:.1f}", "INV-T1", firmware, f"{12.4 - 0.01 * sample:.2f}"),
                    ]
                )
    return [head, *rows]


def weekly_readings() -> Rows:
    """Staff readings of a watcher, every Sunday evening when no party is out."""
    head = ["site", "gauge", "read_at", "gauge_height_m", "source", "uncertainty_m", "observer"]
    rows = []
    rng = np.random.default_rng([SEED, 307])
    for week in range(52):
        for minutes, river in enumerate(RIVERS.values()):
            moment = local("2024-10-06T18:00") + timedelta(days=7 * week, minutes=20 * minutes)
            height = river.stage(moment) + rng.normal(0, 0.003)
            at = moment.isoformat(timespec="minutes")
            rows.append([river.code, "", at, f"{round(height * 200) / 200:.3f}", "staff", "0.005", "INV-O9"])
    return [head, *rows]
