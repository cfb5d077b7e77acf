"""A window of a series: what is looked at, what is picked of it to draw, and the windows one can go to from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

import numpy as np

from stillwell.room.data.series import Series, SeriesOfSite
from stillwell.room.data.thinning import Drawn, Edges, band, drawn, held
from stillwell.room.drawings.elements import micros, moment
from stillwell.room.query_params import BadQuestion, instant, one_of, whole_number

WIDEST = 5000
LEAST_WINDOW = 60_000_000
"""A minute, in microseconds."""
AXES = ("plain", "log")


@dataclass(frozen=True)
class Window:
    """What is looked at of a series: ``start <= t < end``, in microseconds since 1970, ``width`` spans wide."""

    series: Series
    start: int
    end: int
    width: int
    whole: tuple[int, int]
    axis: str = "plain"

    @cached_property
    def picked(self) -> Drawn:
        """What is drawn of it."""
        s = self.series
        return drawn(s.times, s.values, self.start, self.end, self.width, s.step)

    @cached_property
    def band(self) -> Edges | None:
        """Limits of its expanded uncertainty, None where the series has none."""
        s = self.series
        if s.half is None:
            return None
        first, last = self._reach
        value, half = s.values[first:last], s.half[first:last]
        edges = band(
            self.picked, first, s.times[first:last], value - half, value + half, (self.start, self.end), self.width
        )
        return edges if edges.times.size else None

    @cached_property
    def marks(self) -> list[tuple[str, list[list[int]]]]:
        """The marks that hold somewhere in it, each with its spans."""
        s = self.series
        if s.codes is None:
            return []
        first, last = self._reach
        found = []
        for word in s.words():
            flags = s.marked(word, first, last)
            spans = held(s.times[first:last], flags, (self.start, self.end), self.width, s.step)
            if spans:
                found.append((word, spans))
        return found

    @property
    def _reach(self) -> tuple[int, int]:
        """Places of the values of the window, and one more on each side."""
        times = self.series.times
        first, last = np.searchsorted(times, self.start, "left"), np.searchsorted(times, self.end, "left")
        return max(int(first) - 1, 0), min(int(last) + 1, times.size)

    def greatest(self) -> int | None:
        """Return the place in the series of the greatest value of the window; None without any."""
        p = self.picked
        inside = np.flatnonzero((p.times >= self.start) & (p.times < self.end))
        return int(p.places[inside[np.argmax(p.values[inside])]]) if inside.size else None

    def query(self, start: float, end: float) -> dict[str, str]:
        """Return the query of another window of the series, held within what there is."""
        span = max(min(end - start, self.whole[1] - self.whole[0]), LEAST_WINDOW)
        start = min(max(start, self.whole[0]), max(self.whole[1] - span, self.whole[0]))
        query = self.same()
        if span >= self.whole[1] - self.whole[0]:
            return query
        return query | {"from": text_of(int(start)), "to": text_of(int(start + span))}

    def same(self, axis: str | None = None) -> dict[str, str]:
        """Return the query of the series and its axis, without a window."""
        axis = axis or self.axis
        return {"series": self.series.name} | ({"axis": axis} if axis != AXES[0] else {})


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
    end = micros(instant(query, "to") or moment(whole[1]))
    if end - start < LEAST_WINDOW:
        msg = f"expected a window of a minute or more, found {text_of(start)} to {text_of(end)}"
        raise BadQuestion(msg)
    axis = one_of(query, "axis", AXES, AXES[0])
    return Window(series, start, end, whole_number(query, "width", width, 10, WIDEST), whole, axis)


def as_json(site: str, window: Window) -> dict[str, Any]:
    """Lay a window out for JSON; times in milliseconds since 1970, ``breaks`` where the line is lifted before."""
    picked, half = window.picked, window.series.half
    known = math.isfinite(picked.low)
    unsure = np.full(picked.times.size, np.nan) if half is None else half[picked.places]
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
        "uncertainty": [value if math.isfinite(value) else None for value in unsure.tolist()],
        "breaks": np.flatnonzero(picked.breaks).tolist(),
        "marks": [
            {"mark": word, "spans_ms": [[a // 1000, b // 1000] for a, b in spans]} for word, spans in window.marks
        ],
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


def years(window: Window) -> list[tuple[str, dict[str, str]]]:
    """Name the calendar years of the record with their windows, the newest first, at most sixty."""
    first, last = moment(int(window.series.times[0])).year, moment(int(window.series.times[-1])).year
    span = [(year, micros(datetime(year, 1, 1, tzinfo=UTC))) for year in range(last, first - 1, -1)][:60]
    later = {year: micros(datetime(year + 1, 1, 1, tzinfo=UTC)) for year, _ in span}
    return [(str(year), window.same() | {"from": text_of(t), "to": text_of(later[year])}) for year, t in span]
