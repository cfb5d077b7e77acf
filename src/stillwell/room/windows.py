"""The window of a series that is asked for, the windows one can go to from it, and it as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np

from stillwell.pages.data.series import SeriesOfSite
from stillwell.pages.data.window import LEAST_WINDOW, Window, longest, micros, moment, text_of
from stillwell.room.query_params import BadQuestion, instant, one_of, whole_number


def window_of(of_site: SeriesOfSite, query: Mapping[str, str], width: int | None = None) -> Window | None:
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
    whole = longest(series)
    start = micros(instant(query, "from") or moment(whole[0]))
    end = micros(instant(query, "to") or moment(whole[1]))
    if end - start < LEAST_WINDOW:
        msg = f"expected a window of a minute or more, found {text_of(start)} to {text_of(end)}"
        raise BadQuestion(msg)
    axis = one_of(query, "axis")
    return Window(series, start, end, whole_number(query, "width", width), whole, axis)


def as_json(site: str, window: Window) -> dict[str, Any]:
    """Lay a window out for JSON; times in milliseconds since 1970, ``breaks`` the places where a new line begins."""
    picked, half = window.thinned, window.series.half
    known = math.isfinite(picked.low)
    unsure = np.full(picked.times.size, np.nan) if half is None else half[picked.places]
    return {
        "site": site,
        "series": window.series.name,
        "title": window.series.title,
        "unit": window.series.unit,
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
    """List the windows to move to: label, name for the script, and query."""
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
