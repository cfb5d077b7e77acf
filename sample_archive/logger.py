"""What the invented loggers recorded and what the office decided on: stage, corrections, ratings, a shift, ice.

Everything here is invented. Needs numpy only.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from sample_archive.river import CREEK, LOWLAND, SEASON, SEED, River

DAYS = 365
DRIFT_FROM, DRIFT_TO, DRIFT_M = 120, 240, 0.03
"""Days of the water year over which the creek's sensor drifts, and by how much it then reads too high."""
SILENT = (150.0, 150.25)
"""Days between which the lowland's logger had no power."""
SPIKE_AT = 88.0


def stage() -> list[Sequence[str]]:
    """Return the loggers' rows: the creek every hour, the lowland every two hours."""
    rows: list[Sequence[str]] = [("site", "time", "stage_m", "mark")]
    for river, hours in ((CREEK, 1), (LOWLAND, 2)):
        rows += _recorded(river, hours)
    return rows


def _recorded(river: River, hours: int) -> list[Sequence[str]]:
    rng = np.random.default_rng([SEED, 31, river.number])
    out = []
    for number in range(DAYS * 24 // hours):
        moment = SEASON + timedelta(hours=hours * number)
        day = hours * number / 24
        value = river.stage(moment) + rng.normal(0, 0.002)
        if river is CREEK:
            value += DRIFT_M * float(np.clip((day - DRIFT_FROM) / (DRIFT_TO - DRIFT_FROM), 0, 1)) * (day < DRIFT_TO)
        elif SILENT[0] <= day < SILENT[1]:
            continue
        mark = "check" if river is LOWLAND and day == SPIKE_AT else ""
        value += 1.2 if mark else 0.0
        out.append((river.code, f"{moment:%Y-%m-%dT%H:%M:%SZ}", f"{value:.3f}", mark))
    return out


def corrections() -> list[Sequence[str]]:
    """Return the correction of the drift, as the office found it from its staff readings."""
    begins, ends = (SEASON + timedelta(days=day) for day in (DRIFT_FROM, DRIFT_TO))
    why = "sensor drifted against the staff until it was cleaned"
    return [
        ("site", "from", "to", "start_m", "end_m", "reason", "by"),
        (CREEK.code, begins.isoformat(), ends.isoformat(), "0", "-0.029", why, "INV-H1"),
    ]


def ratings() -> list[Sequence[str]]:
    """Return the ratings the office adopted, a little off the truth as ratings are."""
    why = "fitted to the season's gaugings"
    return [
        ("rating", "site", "valid_from", "gauged_from_m", "gauged_to_m", "by", "reason"),
        ("INV-KES-A", CREEK.code, SEASON.isoformat(), "0.16", "0.85", "INV-H1", why),
        ("INV-ORM-A", LOWLAND.code, SEASON.isoformat(), "0.45", "1.25", "INV-H1", why),
    ]


def rating_segments() -> list[Sequence[str]]:
    """Return their segments."""
    return [
        ("rating", "segment", "from_m", "coefficient", "zero_stage_m", "exponent"),
        ("INV-KES-A", "1", "0.115", "11.9", "0.115", "1.91"),
        ("INV-ORM-A", "1", "-0.04", "7.3", "-0.04", "1.69"),
    ]


def shifts() -> list[Sequence[str]]:
    """Return the shift of the creek's rating over a spring with leaves on the bar."""
    return [
        ("rating", "from", "shift_m", "uncertainty_m", "by", "reason"),
        ("INV-KES-A", SEASON.isoformat(), "0", "0.004", "INV-H1", "no departure"),
        ("INV-KES-A", (SEASON + timedelta(days=150)).isoformat(), "0", "0.004", "INV-H1", "no departure"),
        ("INV-KES-A", (SEASON + timedelta(days=200)).isoformat(), "-0.004", "0.004", "INV-H1", "leaves on the bar"),
        ("INV-KES-A", (SEASON + timedelta(days=230)).isoformat(), "0", "0.004", "INV-H1", "washed out"),
        ("INV-KES-A", (SEASON + timedelta(days=330)).isoformat(), "0", "0.004", "INV-H1", "no departure"),
    ]


def conditions() -> list[Sequence[str]]:
    """Return the spans in which something acted on the relation."""
    begins, ends = (SEASON + timedelta(days=day) for day in (100, 103))
    return [
        ("site", "from", "to", "condition", "reason", "by"),
        (LOWLAND.code, begins.isoformat(), ends.isoformat(), "ice", "border ice seen by the second party", "INV-H1"),
    ]
