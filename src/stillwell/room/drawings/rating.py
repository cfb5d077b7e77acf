"""Gauge height against discharge: the gaugings of a site on one of its ratings, with the rating's interval."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from markupsafe import Markup
from numpy.typing import NDArray

from stillwell.drawing.labels import placed
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s
from stillwell.hydrometry.rating.resolver import Rated
from stillwell.reading.printed.text import significant
from stillwell.room.drawings.elements import (
    Child,
    Scale,
    around,
    axis_below,
    axis_left,
    by_ratio,
    element,
    picture,
    short,
)
from stillwell.room.drawings.pictures import MOST_GAUGINGS, gauged, size_of, spread

Floats = NDArray[np.float64]

LEFT, RIGHT, TOP, FOOT, WIDE, HIGH = 62, 704, 34, 400, 720, 450
STAGES = 200
FURTHER = 0.15
"""Share of the gauged range a rating is drawn above it."""
LEAST_HEAD = 0.4
"""Share of the lowest gauged height above zero flow down to which a rating is drawn by ratio."""
MOST_LABELS = 60
K = 2.0


def stage_discharge(gaugings: pd.DataFrame, rating: Rated | None = None, *, log: bool = False) -> Markup | None:
    """Draw a site's gaugings, discharge to the right and gauge height up, each a link, on a rating if there is one.

    Parameters
    ----------
    gaugings : DataFrame
        With ``gravest`` and ``departure_pct`` of each.
    rating : Rated, optional
        Drawn with its interval; gaugings made while it did not hold are faint.
    log : bool
        Space both axes by ratio; heights are then counted from the rating's stage of zero flow.
    """
    base = rating.force.curve.zero_flow_m if log and rating is not None else 0.0
    rows = _shown(gaugings[gaugings["gauge_height_m"].notna() & gaugings["discharge_m3_s"].notna()], rating)
    if log:
        rows = rows[(rows["gauge_height_m"] > base) & (rows["discharge_m3_s"] > 0)]
    if rows.empty and rating is None:
        return None
    stage, q = (rows[name].to_numpy(dtype=np.float64) for name in ("gauge_height_m", "discharge_m3_s"))
    curve = None if rating is None else curve_between(rating, stage, base, log=log)
    x, y = _scales(stage - base, q, curve, base, log=log)
    above = f"gauge height above zero flow at {short(base)} m, m" if log and rating is not None else "gauge height, m"
    title = f"{len(rows)} gauging{'s' if len(rows) != 1 else ''}, gauge height against discharge"
    title += ", both by ratio" if log else ""
    title += f", on rating {rating.name}" if rating is not None else ""
    return picture(
        WIDE,
        HIGH,
        title,
        axis_left(y, LEFT, above, RIGHT, 6),
        axis_below(x, FOOT, [(v, short(v)) for v in x.steps(7)], "discharge, m³/s", TOP),
        *(() if curve is None else _drawn(curve, x, y, base)),
        *_gaugings(rows, rating, x, y, base),
        role="group",
    )


def _shown(rows: pd.DataFrame, rating: Rated | None) -> pd.DataFrame:
    """Keep gaugings that can be drawn: of very many, those of the rating's own span before all others."""
    if rating is None or len(rows) <= MOST_GAUGINGS:
        return spread(rows)
    own = rating.holds_at(rows["started_at"])
    rest = rows[~own].tail(max(MOST_GAUGINGS - int(own.sum()), 0))
    return pd.concat([rest, spread(rows[own])]).sort_values("started_at", kind="stable")


class Drawn:
    """A rating at rising stages, with its limits and where it lies beyond what was gauged."""

    def __init__(self, rating: Rated, stage: Floats) -> None:
        force = rating.force
        self.stage = stage
        self.q = force.curve.discharge(stage)
        part = K * force.uncertainty(stage)
        self.low, self.high = self.q * np.maximum(1 - part, 0.0), self.q * (1 + part)
        low, high = force.lowest_m, force.highest_m
        self.beyond = ~((stage >= low) & (stage <= high))


def curve_between(rating: Rated, gauged_m: Floats, base: float, *, log: bool) -> Drawn:
    """Lay a rating out from its zero flow to somewhat above all that was gauged."""
    force = rating.force
    low = force.curve.zero_flow_m
    marks = [v for v in (force.lowest_m, force.highest_m) if math.isfinite(v)]
    top = max([*gauged_m.tolist(), *marks, force.curve.support_m[1], low + 0.1])
    top += FURTHER * (top - low)
    if not log:
        return Drawn(rating, np.unique(np.r_[np.linspace(low, top, STAGES), marks]))
    heads = [v - base for v in (*gauged_m.tolist(), *marks) if v > base]
    least = LEAST_HEAD * min(heads) if heads else 0.01
    grid = base + np.geomspace(least, top - base, STAGES)
    return Drawn(rating, np.unique(np.r_[grid, [v for v in marks if v > base + least]]))


def _scales(head: Floats, q: Floats, curve: Drawn | None, base: float, *, log: bool) -> tuple[Scale, Scale]:
    across, up = q.tolist(), head.tolist()
    if curve is not None:
        across += curve.q.tolist() if log else curve.high.tolist()
        up += (curve.stage - base).tolist()
    if log:
        return by_ratio(across, LEFT, RIGHT), by_ratio(up, FOOT, TOP)
    low, high = around(across, least=0.02)
    return Scale(0.0 if min(across) >= 0 else low, high, LEFT, RIGHT), Scale(*around(up, least=0.01), FOOT, TOP)


def _drawn(curve: Drawn, x: Scale, y: Scale, base: float) -> list[Child]:
    up = [y(v) for v in (curve.stage - base).tolist()]
    right, left = ([x(min(max(v, x.low), x.high)) for v in edge.tolist()] for edge in (curve.high, curve.low))
    there = [f"{a:.1f} {b:.1f}" for a, b in zip(right, up, strict=True)]
    back = [f"{a:.1f} {b:.1f}" for a, b in zip(reversed(left), reversed(up), strict=True)]
    places = [(x(q), b) for q, b in zip(curve.q.tolist(), up, strict=True)]
    outside = _runs(places, (curve.beyond | np.r_[curve.beyond[1:], False] | np.r_[False, curve.beyond[:-1]]).tolist())
    inside = _runs(places, (~curve.beyond).tolist())
    return [
        element("path", class_="band", d="M" + "L".join(there + back) + "Z"),
        element("path", element("title", "rating beyond what was gauged"), class_="rating beyond", d=outside),
        element("path", element("title", "rating"), class_="rating", d=inside),
    ]


def _runs(places: list[tuple[float, float]], kept: list[bool]) -> str:
    out, up = [], True
    for (a, b), on in zip(places, kept, strict=True):
        if on:
            out.append(f"{'M' if up else 'L'}{a:.1f} {b:.1f}")
        up = not on
    return "".join(out) or "M0 0"


def _gaugings(rows: pd.DataFrame, rating: Rated | None, x: Scale, y: Scale, base: float) -> list[Child]:
    """Draw the gaugings, those of the rating's own span last, and labels where there is room."""
    if rows.empty:
        return []
    half = expanded_m3_s(rows)
    own = np.ones(len(rows), dtype=bool) if rating is None else rating.holds_at(rows["started_at"]).to_numpy()
    parts: list[Child] = []
    marks: list[tuple[float, float, str]] = []
    size = size_of(len(rows))
    told = rows.to_dict("records")
    for place in [*np.flatnonzero(~own), *np.flatnonzero(own)]:
        row, u = told[place], float(half[place])
        q, h = float(row["discharge_m3_s"]), float(row["gauge_height_m"])
        a, b = x(q), y(h - base)
        whisker = None
        if math.isfinite(u) and u > 0:
            ends = [x(min(max(q + sign * u, x.low), x.high)) for sign in (-1, 1)]
            whisker = element("path", class_="whisker", d=f"M{ends[0]:.1f} {b:.1f}H{ends[1]:.1f}")
        said = _said(row, q, h, u)
        more = "" if own[place] else "elsewhen"
        parts.append(
            gauged(
                str(row["gauging_id"]),
                said,
                str(row["status"]),
                str(row["gravest"]),
                a,
                b,
                whisker,
                more=more,
                size=size,
            )
        )
        marks.append((a, b, f"{row['started_at']:%Y-%m-%d}"))
    frame = (float(LEFT), float(TOP), float(RIGHT), float(FOOT))
    labels = placed(marks[::-1][:MOST_LABELS], frame, 6.0)
    return [*parts, *(element("text", text, class_="tick gauged-at", x=a, y=b) for a, b, text in labels)]


def _said(row: dict[str, object], q: float, h: float, u: float) -> str:
    sure = f" ± {significant(u, 2)}" if math.isfinite(u) else ""
    off = float(row["departure_pct"])  # type: ignore[arg-type]
    away = f", {off:+.1f} % from the rating in force" if math.isfinite(off) else ""
    doubt = f", {row['gravest']}" if row["gravest"] else ""
    return (
        f"gauging {row['gauging_id']}: {significant(q)}{sure} m³/s at {significant(h)} m, {row['status']}{away}{doubt}"
    )
