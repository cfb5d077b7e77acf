"""A field party at the river: walks the section, reads rod, meter and staff. Knows no file format and no unit but SI.

What it reads is the true river with turbulence, a rod pressed into gravel and a staff read to a few millimetres.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np

from sample_archive.river import RIVERS, SEED, River, profile

OFFSET = timezone(timedelta(hours=-2))
"""Standard time of the invented country."""
TURBULENCE_S = 1.6
"""Integral time scale of the turbulence, s."""
Row = dict[str, Any]
POINTS = {
    "one": (0.6,),
    "two": (0.2, 0.8),
    "three": (0.2, 0.6, 0.8),
    "five": (0.0, 0.2, 0.6, 0.8, 1.0),
}


@dataclass(frozen=True)
class Habit:
    """How a party works, whatever the river."""

    party: str
    instrument: str
    start_bank: str = "left"
    section_method: str | None = None
    many_points: str = "two"
    """Points of a vertical that is deep enough; else one at 0.6."""
    deep_m: float = 0.75
    verticals: int = 23
    exposure_s: float = 40.0
    snr_db: float | None = 30.0
    reads: tuple[str, ...] = ("before", "after")
    """When the staff is read."""


@dataclass(frozen=True)
class Plan:
    """One gauging as planned: where, when, and what is unlike the party's habit."""

    label: str
    site: str
    start: str
    """Local time without its offset, as in 2024-10-09T09:10."""
    minutes: int = 55
    verticals: int | None = None
    instrument: str | None = None
    exposure_s: float | None = None
    snr_db: float | None = None
    many_points: str | None = None
    reads: tuple[str, ...] | None = None
    gauge: str | None = None
    """Gauge that is read instead of the reference gauge."""
    walls: str | None = None
    """At vertical walls: given, ratio or nothing."""
    angles: str | None = None
    """normal: the velocity is normal already; along: it is not."""
    odd: bool = False
    repeats: bool = False
    walked: str | None = None
    """late: two verticals were added after the far bank; back: the section was walked from the far bank back."""
    wide_gap: bool = False
    odd_thing: str | None = None
    """What went unlike a good gauging: a name of ``THINGS``."""
    in_utc: bool = False
    """Whether start and end are written in UTC instead of the site's time."""
    own_result: float | None = None
    """Ratio of the party's own result, handed in beside the points, to the truth."""
    handed_in: str | None = None
    """Method of a gauging that is handed in as a result, without points."""
    header: Row = field(default_factory=dict)


@dataclass
class Sheet:
    """What came back from the river, in SI and unrounded, beside the truth."""

    plan: Plan
    header: Row
    points: list[Row]
    heights: list[Row]
    started: datetime
    true_discharge: float
    true_stage: float

    @property
    def archive_id(self) -> str:
        """Archive id the gauging will have: site, start in UTC, instrument."""
        moment = self.started.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
        meter = self.header.get("instrument")
        return f"{self.header['site']}.{moment}" + (f".{meter}" if meter else "")

    def copy(self) -> Sheet:
        """Return a sheet whose rows can be spoiled without touching this one."""
        rows = [dict(row) for row in self.points]
        return replace(self, header=dict(self.header), points=rows, heights=[dict(row) for row in self.heights])


def local(text: str) -> datetime:
    """Read a local time of the invented country."""
    return datetime.fromisoformat(text).replace(tzinfo=OFFSET)


def measure(plan: Plan, habit: Habit, number: int) -> Sheet:
    """Make one gauging.

    Parameters
    ----------
    plan : Plan
    habit : Habit
    number : int
        Seeds the chance of this gauging alone, so that one more gauging changes no other.

    Returns
    -------
    Sheet
    """
    rng = np.random.default_rng([SEED, 101, number])
    river = RIVERS[plan.site]
    started = local(plan.start)
    ended = started + timedelta(minutes=plan.minutes)
    moments = [started + (ended - started) * i / 60 for i in range(61)]
    stages = np.array([river.stage(moment) for moment in moments])
    truth = float(river.discharge(stages).mean())
    warmth = 9.0 + 6.5 * np.sin(2 * np.pi * ((started - local("2024-10-01T00:00")).days - 215) / 365)
    header: Row = {
        "gauging": plan.label,
        "site": plan.site,
        "started_at": started,
        "ended_at": ended,
        "instrument": plan.instrument or habit.instrument,
        "party": habit.party,
        "section_method": habit.section_method,
        "start_bank": habit.start_bank,
        "water_temperature_c": warmth + rng.normal(0, 0.3),
    }
    header["meter_temperature_c"] = header["water_temperature_c"] + rng.normal(0, 0.1)
    points: list[Row] = []
    if plan.handed_in is None:
        points = _walk(plan, habit, river, started, ended, rng)
        if plan.odd_thing:
            points = THINGS[plan.odd_thing](points)
    else:
        header |= _result(plan, truth, river, float(stages.mean()), rng)
    if plan.own_result:
        header |= {"discharge_m3_s": truth * plan.own_result, "result_by": f"{habit.party}, by hand"}
    if plan.in_utc:
        header |= {"started_at": started.astimezone(UTC), "ended_at": ended.astimezone(UTC)}
    header |= plan.header
    heights = _staff(plan, habit, river, started, ended, rng)
    return Sheet(plan, header, points, heights, started, truth, float(stages.mean()))


def _result(plan: Plan, truth: float, river: River, stage: float, rng: np.random.Generator) -> Row:
    """Give the result that a profiler, a float or an eye hands in: no points."""
    result: Row = {"method": plan.handed_in, "section_method": None, "start_bank": None}
    if plan.handed_in == "observed zero":
        return result | {"instrument": None, "meter_temperature_c": None, "discharge_m3_s": 0.0}
    error = {"moving-boat profiler": 0.02, "float": 0.10}[str(plan.handed_in)]
    x = np.linspace(river.bed_position[0], river.bed_position[-1], 6001)
    depth = river.depth(x, stage)
    area = float(np.trapezoid(depth, x)) * (1 + rng.normal(0, error / 2))
    discharge = truth * (1 + rng.normal(0, error))
    result |= {"discharge_m3_s": discharge, "area_m2": area, "width_m": sum(b - a for a, b in river.water(stage))}
    result |= {"mean_velocity_m_s": discharge / area, "uncertainty_pct": 250 * error, "uncertainty_level": 95}
    if plan.handed_in == "float":
        result |= {"instrument": None, "meter_temperature_c": None}
    return result


def _staff(
    plan: Plan, habit: Habit, river: River, started: datetime, ended: datetime, rng: np.random.Generator
) -> list[Row]:
    """Read the staff when the party is used to: to 2 mm of chance."""
    moments = {
        "before": started - timedelta(minutes=5),
        "during": (started + (ended - started) / 2).replace(second=0),
        "after": ended + timedelta(minutes=4),
        "long before": started - timedelta(minutes=22),
    }
    read = plan.reads if plan.reads is not None else habit.reads
    return [
        {
            "site": plan.site,
            "gauge": plan.gauge,
            "read_at": moments[when],
            "gauge_height_m": river.stage(moments[when]) + rng.normal(0, 0.002),
            "source": "sensor" if plan.gauge else "staff",
            "uncertainty_m": 0.003,
            "observer": None if plan.gauge else habit.party.replace("-P", "-O"),
            "gauging": plan.label,
        }
        for when in read
    ]


def _positions(
    plan: Plan, habit: Habit, river: River, stage: float, rng: np.random.Generator
) -> list[tuple[float, str]]:
    """Choose the verticals from left to right: edges where the water ends, a dry one on an island, the rest open."""
    stretches = river.water(stage)
    wanted = plan.verticals or habit.verticals
    total = sum(right - left for left, right in stretches)
    out: list[tuple[float, str]] = []
    for i, (left, right) in enumerate(stretches):
        if i:
            out.append((0.5 * (stretches[i - 1][1] + left), "dry"))
        count = max(3, round(wanted * (right - left) / total))
        gap = (right - left) / (count + 1)
        places = left + gap * (np.arange(1, count + 1) + rng.uniform(-0.18, 0.18, count))
        if plan.wide_gap and i == 0:
            places = np.delete(places, [count // 2, count // 2 + 1])
        out += [(left, "edge"), *((float(x), "open") for x in places), (right, "edge")]
    return out


def _walk(
    plan: Plan, habit: Habit, river: River, started: datetime, ended: datetime, rng: np.random.Generator
) -> list[Row]:
    verticals = _positions(plan, habit, river, river.stage(started), rng)
    if habit.start_bank == "right":
        verticals.reverse()
    if plan.walked == "back":
        verticals.reverse()
    if plan.walked == "late":
        late = [verticals.pop(i) for i in (len(verticals) // 3, len(verticals) // 2)]
        verticals += late
    rows: list[Row] = []
    for number, (x, kind) in enumerate(verticals, 1):
        moment = started + (ended - started) * (number - 0.5) / len(verticals)
        moment = moment.replace(microsecond=0)
        depth = float(river.depth(np.array([x]), river.stage(moment))[0])
        if kind == "open":
            depth = max(depth + rng.normal(0, 0.006), 0.03)
        elif not river.walls:
            depth = 0.0
        position = x if habit.start_bank == "left" else river.span - x
        row: Row = {"gauging": plan.label, "vertical": number, "position_m": position, "depth_m": depth, "kind": kind}
        if kind == "open":
            rows += _read(row, plan, habit, river, x, moment, rng)
        else:
            rows.append(row | (_wall(plan, river, x, moment) if depth > 0 else {}))
    return rows


def _wall(plan: Plan, river: River, x: float, moment: datetime) -> Row:
    """Say what the party says about a vertical wall."""
    if plan.walls == "given":
        return {"velocity_m_s": float(river.mean_velocity(np.array([x]), moment)[0])}
    return {"edge_velocity_ratio": 0.65 if x < 1 else 0.70} if plan.walls == "ratio" else {}


def _read(
    row: Row, plan: Plan, habit: Habit, river: River, x: float, moment: datetime, rng: np.random.Generator
) -> list[Row]:
    """Read the meter at the points of one vertical."""
    mean = float(river.mean_velocity(np.array([x]), moment)[0])
    many = plan.many_points or habit.many_points
    fractions = POINTS[many] if row["depth_m"] >= habit.deep_m else POINTS["one"]
    odd = 0.0
    if plan.odd and row["depth_m"] >= habit.deep_m and row["vertical"] % 5 == 0:
        fractions, odd = POINTS["three"], 0.85
    angle = float(rng.normal(6, 7)) if plan.angles and rng.uniform() < 0.5 else 0.0
    if plan.angles and row["vertical"] == 6:
        angle = 27.0
    exposure = plan.exposure_s or habit.exposure_s
    rows = []
    for fraction in fractions:
        for repeat in range(1, 3 if plan.repeats and row["vertical"] % 4 == 0 else 2):
            true = mean * profile(fraction, odd)
            if angle and plan.angles == "along":
                true /= float(np.cos(np.radians(angle)))
            single = 0.11 * abs(true) + 0.008
            error = single * float(np.sqrt(2 * TURBULENCE_S / exposure))
            rows.append(
                row
                | {
                    "relative_depth": fraction,
                    "velocity_m_s": true + rng.normal(0, error),
                    "read_at": moment + timedelta(seconds=50 * len(rows)),
                    "exposure_s": exposure,
                    "samples": int(exposure),
                    "velocity_sd_m_s": single * rng.uniform(0.8, 1.25),
                    "velocity_se_m_s": error * rng.uniform(0.8, 1.25),
                    "snr_db": _signal(plan, habit, rng),
                    "flow_angle_deg": angle,
                    "velocity_is_normal": plan.angles == "normal" if angle else None,
                    "repeat": repeat,
                }
            )
    return rows


def _signal(plan: Plan, habit: Habit, rng: np.random.Generator) -> float | None:
    level = plan.snr_db if plan.snr_db is not None else habit.snr_db
    return None if level is None else max(level + float(rng.normal(0, 2.2)), 1.0)


def _edge_forgotten(rows: list[Row]) -> list[Row]:
    """Leave out the edge on the far bank."""
    return rows[:-1]


def _fouled(rows: list[Row]) -> list[Row]:
    """Leave the ninth vertical without a velocity: weed on the meter, noticed too late."""
    keep = ("gauging", "vertical", "position_m", "depth_m", "kind")
    ninth = [{key: row[key] for key in keep} for row in rows if row["vertical"] == 9]
    return [row for row in rows if row["vertical"] < 9] + ninth[:1] + [row for row in rows if row["vertical"] > 9]


def _held_higher(rows: list[Row]) -> list[Row]:
    """Read the fifth vertical at 0.4 of the depth, over weed."""
    faster = profile(0.4) / profile(0.6)
    return [
        row | {"relative_depth": 0.4, "velocity_m_s": row["velocity_m_s"] * faster} if row["vertical"] == 5 else row
        for row in rows
    ]


def _slip_of_the_pen(rows: list[Row]) -> list[Row]:
    """Write a zero too many behind the point, at one vertical; nobody noticed."""
    return [row | {"velocity_m_s": row["velocity_m_s"] / 10} if row["vertical"] == 7 else row for row in rows]


def _eddy(rows: list[Row]) -> list[Row]:
    """Find the water beside the bank running upstream, behind a boulder."""
    return [row | {"velocity_m_s": -0.031} if row["vertical"] == 2 else row for row in rows]


THINGS: dict[str, Callable[[list[Row]], list[Row]]] = {
    "edge forgotten": _edge_forgotten,
    "meter fouled": _fouled,
    "held higher": _held_higher,
    "slip of the pen": _slip_of_the_pen,
    "eddy": _eddy,
}
