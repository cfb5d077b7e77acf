"""The hydrograph of a site: a window of a series with its uncertainty, its marks, and the gaugings on it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s
from stillwell.reading.printed.text import significant
from stillwell.room.data.thinning import Drawn, Edges
from stillwell.room.drawings.elements import (
    Child,
    Scale,
    around,
    axis_below,
    axis_left,
    by_ratio,
    element,
    joined,
    micros,
    moment,
    picture,
    time_steps,
)
from stillwell.room.drawings.pictures import gauged, size_of, spread
from stillwell.room.drawings.window import Window, text_of

WIDE, LEFT, RIGHT, TOP, FOOT = 720, 62, 704, 30, 270
UNDER, STRIPE = 46, 31
"""Room under the time axis, and what each kind of mark takes below it."""
SAID = {
    "below gauged": "below the lowest gauging (extrapolated)",
    "above gauged": "above the highest gauging (extrapolated)",
    "shift held": "shift held beyond the visits it was found at",
    "no rating": "no rating holds, so no discharge",
}
"""Marks of a record in fuller words, where one is short."""


def in_words(mark: str) -> str:
    """Say a mark so that a reader who knows no list of marks understands it."""
    return SAID.get(mark, mark)


def hydrograph(window: Window, gaugings: pd.DataFrame) -> Markup:
    """Draw a window of a series, with the site's gaugings on it as links."""
    picked, series = window.picked, window.series
    marks = spread_marks(gaugings_in(window, gaugings))
    size = size_of(len(marks))
    x = Scale(window.start, window.end, LEFT, RIGHT)
    y = _upright(window, marks)
    title = (
        f"{series.title} in {series.kind.unit} from {text_of(window.start)} to {text_of(window.end)}: {picked.taken} "
        f"values" + (f", {picked.low:.4g} to {picked.high:.4g}" if picked.taken else "")
    )
    clip = element("clipPath", element("rect", x=LEFT, y=TOP - 6, width=RIGHT - LEFT, height=FOOT - TOP + 8), id="plot")
    high = FOOT + UNDER + STRIPE * len(window.marks) + (6 if window.marks else 0)
    return picture(
        WIDE,
        high,
        title,
        clip,
        axis_left(y, LEFT, f"{series.title}, {series.kind.unit}", RIGHT),
        axis_below(x, FOOT, time_steps(window.start, window.end), "time, UTC", TOP),
        element("g", _band(window, x, y), _line(window, picked, x, y), clip_path="url(#plot)"),
        *_stripes(window, x),
        joined(_gauging(mark, x, y, size) for mark in marks),
        role="group",
        data_from=window.start // 1000,
        data_to=window.end // 1000,
        data_left=LEFT,
        data_right=RIGHT,
        data_wide=WIDE,
    )


def _upright(window: Window, marks: Sequence[dict[str, Any]]) -> Scale:
    """Choose the upright scale: it holds values, limits and gaugings, and 0 where discharge comes near it."""
    picked, edges = window.picked, window.band
    values = [*picked.values.tolist(), *(m["value"] for m in marks)]
    if window.axis == "log":
        return by_ratio(values, FOOT, TOP)
    if edges is not None:
        values += [float(np.nanmin(edges.low)), float(np.nanmax(edges.high))]
    values += [m["value"] + sign * m["half"] for m in marks for sign in (-1, 1) if math.isfinite(m["half"])]
    low, high = around(values, least=0.01)
    known = picked.values
    if window.series.kind.unit != "m" and known.size and known.min() >= 0:
        low = 0.0
    return Scale(low, high, FOOT, TOP)


def _band(window: Window, x: Scale, y: Scale) -> Markup | None:
    """Fill between the limits, run by run; those of means are levels, as the means are."""
    edges = window.band
    if edges is None:
        return None
    if window.series.kind.until and not window.picked.thinned:
        edges = _levels(edges, int(window.series.step))
    starts = np.flatnonzero(edges.breaks | (np.arange(edges.times.size) == 0)).tolist()
    out = []
    for first, last in zip(starts, [*starts[1:], edges.times.size], strict=True):
        across = [x(t) for t in edges.times[first:last].tolist()]
        up = [y(min(max(v, y.low), y.high)) for v in edges.high[first:last].tolist()]
        down = [y(min(max(v, y.low), y.high)) for v in edges.low[first:last].tolist()]
        there = [f"{a:.1f} {b:.1f}" for a, b in zip(across, up, strict=True)]
        back = [f"{a:.1f} {b:.1f}" for a, b in zip(reversed(across), reversed(down), strict=True)]
        out.append("M" + "L".join(there + back) + "Z")
    return element("path", class_="band", d="".join(out))


def _levels(edges: Edges, step: int) -> Edges:
    times = np.column_stack([edges.times, edges.times + step]).ravel()
    breaks = np.column_stack([edges.breaks, np.zeros(edges.breaks.size, dtype=np.bool_)]).ravel()
    return Edges(times, np.repeat(edges.low, 2), np.repeat(edges.high, 2), breaks)


def _line(window: Window, picked: Drawn, x: Scale, y: Scale) -> Markup:
    values = np.where(picked.values > 0, picked.values, np.nan) if window.axis == "log" else picked.values
    points = list(zip(picked.times.tolist(), values.tolist(), strict=True))
    if not window.series.joined:
        dots = (f"M{x(t):.1f} {y(v):.1f}h0" for t, v in points if v == v)
        return element("path", class_="dots", d="".join(dots) or "M0 0")
    if window.series.kind.until and not picked.thinned:
        return _steps(window, points, x, y)
    steps, up = [], True
    for (t, v), lifted in zip(points, picked.breaks.tolist(), strict=True):
        if v != v:
            up = True
            continue
        steps.append(f"{'M' if up or lifted else 'L'}{x(t):.1f} {y(v):.1f}")
        up = False
    return element("path", class_="line", d="".join(steps))


def _steps(window: Window, points: Sequence[tuple[int, float]], x: Scale, y: Scale) -> Markup:
    """Draw means as what they are: a level over the whole span each one is the mean of."""
    out, before = [], math.nan
    for t, v in points:
        if v != v:
            before = math.nan
            continue
        near = before == before and abs(t - before) < 2
        out.append(f"{'V' if near else f'M{x(t):.1f} '}{y(v):.1f}H{x(t + window.series.step):.1f}")
        before = t + window.series.step
    return element("path", class_="line", d="".join(out))


def _stripes(window: Window, x: Scale) -> list[Child]:
    """Draw under the plot where each mark holds, each in words above a stripe of its own."""
    out: list[Child] = []
    for i, (word, spans) in enumerate(window.marks):
        foot = FOOT + UNDER + STRIPE * i + 12
        bars = ((x(a), max(x(min(b, window.end)) - x(a), 1.2)) for a, b in spans)
        d = "".join(f"M{left:.1f} {foot + 5}h{wide:.1f}v8h-{wide:.1f}z" for left, wide in bars)
        out.append(element("text", in_words(word), class_="tick", x=LEFT, y=foot))
        out.append(element("path", class_="axis stripe", d=f"M{LEFT} {foot + 13}H{RIGHT}"))
        out.append(element("path", element("title", in_words(word)), class_="held", d=d))
    return out


def _gauging(mark: dict[str, Any], x: Scale, y: Scale, size: float) -> Markup:
    at, value, half = x(mark["time"]), mark["value"], mark["half"]
    whisker = None
    if math.isfinite(half) and half > 0:
        ends = [y(min(max(value + sign * half, y.low), y.high)) for sign in (-1, 1)]
        whisker = element("path", class_="whisker", d=f"M{at:.1f} {ends[0]:.1f}V{ends[1]:.1f}")
    return gauged(mark["gauging"], mark["said"], mark["status"], mark["gravest"], at, y(value), whisker, size=size)


def gaugings_in(window: Window, gaugings: pd.DataFrame) -> list[dict[str, Any]]:
    """Find the gaugings in the window that have the quantity drawn."""
    if gaugings.empty:
        return []
    height = window.series.kind.unit == "m"
    column = "gauge_height_m" if height else "discharge_m3_s"
    kept = (
        gaugings["started_at"].between(moment(window.start), moment(window.end), inclusive="left")
        & gaugings[column].notna()
    )
    if window.axis == "log":
        kept &= gaugings[column] > 0
    rows = gaugings[kept]
    half = np.full(len(rows), math.nan) if height else expanded_m3_s(rows)
    unit = window.series.kind.unit
    columns = ("gauging_id", "started_at", column, "status", "gravest")
    out = []
    for (gauging, at, value, status, gravest), u in zip(
        zip(*(rows[name] for name in columns), strict=True), half, strict=True
    ):
        sure = f" ± {significant(u, 2)}" if math.isfinite(u) else ""
        doubt = f", {gravest}" if gravest else ""
        out.append(
            {
                "gauging": str(gauging),
                "time": micros(at.to_pydatetime().astimezone(UTC)),
                "value": float(value),
                "half": float(u),
                "status": str(status),
                "gravest": str(gravest),
                "said": f"gauging {gauging}: {significant(value)}{sure} {unit}, {status}{doubt}",
            }
        )
    return out


def spread_marks(marks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Keep as many as are drawn."""
    return [marks[place] for place in spread(pd.DataFrame(index=range(len(marks)))).index]


def said_of_gaugings(marks: Sequence[dict[str, Any]]) -> str:
    """Count the gaugings of a window by their review, in words."""
    if not marks:
        return "No gauging lies in it."
    counts = pd.Series([mark["status"] for mark in marks]).value_counts()
    parts = [f"{counts[word]} {word}" for word in ("approved", "provisional") if word in counts]
    drawn = len(spread_marks(list(marks)))
    fewer = "" if drawn == len(marks) else f" {drawn} of them are drawn, evenly spread; look closer for all."
    return f"{len(marks)} gauging{'s' if len(marks) != 1 else ''} on it: {', '.join(parts)}.{fewer}"
