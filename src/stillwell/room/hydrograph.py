"""The hydrograph of a site: a window of a series, drawn and as JSON, and the windows one can go to from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.room import names
from stillwell.room.asked import BadQuestion, instant, whole_number
from stillwell.room.buckets import Drawn, drawn
from stillwell.room.draw import (
    Child,
    Scale,
    around,
    axis_below,
    axis_left,
    element,
    joined,
    micros,
    moment,
    picture,
    time_steps,
)
from stillwell.room.series import Series, SeriesOfSite

WIDE, HIGH, LEFT, RIGHT, TOP, FOOT = 720, 320, 62, 704, 30, 270
WIDEST = 5000
LEAST_WINDOW = 60_000_000
"""A minute, in microseconds."""
MOST_MARKS = 400


@dataclass(frozen=True)
class Window:
    """What is looked at of a series: from ``start`` to ``end``, in microseconds since 1970, ``width`` spans wide."""

    series: Series
    start: int
    end: int
    width: int
    whole: tuple[int, int]

    def picked(self) -> Drawn:
        """Return what is drawn of it."""
        s = self.series
        return drawn(s.times, s.values, self.start, self.end, self.width, s.step)

    def query(self, start: float, end: float) -> dict[str, str]:
        """Return the query of another window of the series, held within what there is."""
        span = max(min(end - start, self.whole[1] - self.whole[0]), LEAST_WINDOW)
        start = min(max(start, self.whole[0]), max(self.whole[1] - span, self.whole[0]))
        if span >= self.whole[1] - self.whole[0]:
            return {"series": self.series.name}
        return {"series": self.series.name, "from": text_of(int(start)), "to": text_of(int(start + span))}


def text_of(t: int) -> str:
    """Write microseconds since 1970 as a time to the second."""
    return moment(t).strftime("%Y-%m-%dT%H:%M:%SZ")


def window_of(of_site: SeriesOfSite, query: Mapping[str, str], width: int = 1000) -> Window | None:
    """Read which window is asked for; None where the site has no series.

    Raises
    ------
    BadQuestion
        If there is no such series, or the window makes no sense.
    """
    if not of_site.all:
        return None
    series = of_site.named(query.get("series", ""))
    if series is None:
        msg = f"expected one of the series {', '.join(s.name for s in of_site.all)}, found {query['series']!r}"
        raise BadQuestion(msg)
    first, last = int(series.times[0]), int(series.times[-1])
    room = max((last - first) // 100, LEAST_WINDOW)
    whole = first - room, last + room
    start = micros(instant(query, "from") or moment(whole[0]))
    end = micros(instant(query, "to", end=True) or moment(whole[1]))
    if end - start < LEAST_WINDOW:
        msg = f"expected a window of a minute or more, found {text_of(start)} to {text_of(end)}"
        raise BadQuestion(msg)
    return Window(series, start, end, whole_number(query, "width", width, 10, WIDEST), whole)


def as_json(site: str, window: Window) -> dict[str, Any]:
    """Lay a window out for JSON; times in milliseconds since 1970, ``breaks`` where the line is lifted before."""
    picked = window.picked()
    known = math.isfinite(picked.low)
    return {
        "site": site,
        "series": window.series.name,
        "title": window.series.title,
        "unit": window.series.kind.unit,
        "from": text_of(window.start),
        "to": text_of(window.end),
        "width": window.width,
        "values_in_window": picked.taken,
        "least": picked.low if known else None,
        "greatest": picked.high if known else None,
        "joined": window.series.joined,
        "times_ms": (picked.times // 1000).tolist(),
        "values": picked.values.tolist(),
        "breaks": np.flatnonzero(picked.breaks).tolist(),
    }


def moves(window: Window) -> list[tuple[str, str, dict[str, str]]]:
    """Name the windows one can go to: what a person reads, what a script is told, and the query."""
    start, end = window.start, window.end
    span, middle = end - start, (start + end) / 2
    return [
        ("Whole record", "whole", window.query(*window.whole)),
        ("Earlier", "earlier", window.query(start - span * 0.8, end - span * 0.8)),
        ("Later", "later", window.query(start + span * 0.8, end + span * 0.8)),
        ("Closer", "closer", window.query(middle - span / 4, middle + span / 4)),
        ("Wider", "wider", window.query(middle - span, middle + span)),
    ]


def hydrograph(window: Window, gaugings: pd.DataFrame) -> Markup:
    """Draw a window of a series, with the site's gaugings on it as links."""
    picked, series = window.picked(), window.series
    marks = _marks(window, gaugings)
    low, high = around([*picked.values.tolist(), *(value for _, value, _ in marks)], least=0.01)
    x = Scale(window.start, window.end, LEFT, RIGHT)
    y = Scale(low, high, FOOT, TOP)
    title = (
        f"{series.title} in {series.kind.unit} from {text_of(window.start)} to {text_of(window.end)}: {picked.taken} "
        f"values" + (f", {picked.low:.4g} to {picked.high:.4g}" if picked.taken else "")
    )
    clip = element("clipPath", element("rect", x=LEFT, y=0, width=RIGHT - LEFT, height=FOOT + 4), id="plot")
    return picture(
        WIDE,
        HIGH,
        title,
        clip,
        axis_left(y, LEFT, f"{series.title}, {series.kind.unit}", RIGHT),
        axis_below(x, FOOT, time_steps(window.start, window.end), "time, UTC", TOP),
        element("g", _line(picked, x, y, joined_up=series.joined), clip_path="url(#plot)"),
        joined(_mark(x(t), y(value), gauging, value, series.kind.unit) for t, value, gauging in marks),
        role="group",
        data_from=window.start // 1000,
        data_to=window.end // 1000,
        data_left=LEFT,
        data_right=RIGHT,
        data_wide=WIDE,
    )


def _line(picked: Drawn, x: Scale, y: Scale, *, joined_up: bool) -> Markup:
    if not joined_up:
        dots = (f"M{x(t):.1f} {y(v):.1f}h0" for t, v in zip(picked.times.tolist(), picked.values.tolist(), strict=True))
        return element("path", class_="dots", d="".join(dots) or "M0 0")
    moved = picked.breaks.copy()
    moved[:1] = True
    points = zip(picked.times.tolist(), picked.values.tolist(), moved.tolist(), strict=True)
    return element(
        "path", class_="line", d="".join(f"{'M' if up else 'L'}{x(t):.1f} {y(v):.1f}" for t, v, up in points)
    )


def _marks(window: Window, gaugings: pd.DataFrame) -> list[tuple[int, float, str]]:
    """Find the gaugings in the window that have the quantity drawn."""
    if gaugings.empty:
        return []
    column = "gauge_height_m" if window.series.kind.unit == "m" else "discharge_m3_s"
    low, high = moment(window.start), moment(window.end)
    rows = gaugings[gaugings["started_at"].between(low, high) & gaugings[column].notna()].tail(MOST_MARKS)
    times = (micros(at.to_pydatetime().astimezone(UTC)) for at in rows["started_at"])
    return list(zip(times, rows[column].tolist(), rows["gauging_id"].tolist(), strict=True))


def _mark(x: float, y: float, gauging: str, value: float, unit: str) -> Child:
    said = f"gauging {gauging}: {value:.4g} {unit}"
    diamond = f"M{x:.1f} {y - 5:.1f}l5 5l-5 5l-5-5z"
    return element(
        "a",
        element("path", element("title", said), class_="mark", d=diamond),
        href=names.gauging(gauging),
        aria_label=said,
    )


def years(window: Window) -> list[tuple[str, dict[str, str]]]:
    """Name the calendar years of the record with their windows, the newest first, at most sixty."""
    first, last = moment(int(window.series.times[0])).year, moment(int(window.series.times[-1])).year
    starts = [(year, micros(datetime(year, 1, 1, tzinfo=UTC))) for year in range(last, first - 1, -1)][:60]
    return [
        (str(year), {"series": window.series.name, "from": text_of(t), "to": text_of(t + 366 * 86_400_000_000)})
        for year, t in starts
    ]
