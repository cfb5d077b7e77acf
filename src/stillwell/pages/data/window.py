"""The window of a series of a site that is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from stillwell.drawing import window as drawing
from stillwell.pages.data.series import SiteSeries

LEAST_WINDOW = 60_000_000
"""A minute, in microseconds."""
AXES = ("plain", "log")
WIDTH = 1000
"""Spans a window is thinned to where nothing else is asked for."""


@dataclass(frozen=True)
class Window(drawing.Window):
    """A window of a series of a site; ``whole`` is the longest there is, ``axis`` one of ``AXES``."""

    series: SiteSeries
    whole: tuple[int, int]
    axis: str = "plain"

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


def moment(t: int) -> datetime:
    """Return microseconds since 1970 as a time in UTC, limited to the years 1 to 9998."""
    return datetime.fromtimestamp(min(max(t, -62_135_596_800_000_000), 253_370_764_800_000_000) / 1e6, UTC)


def micros(at: datetime) -> int:
    """Return a time as microseconds since 1970."""
    delta = at - datetime(1970, 1, 1, tzinfo=UTC)
    return (delta.days * 86_400 + delta.seconds) * 1_000_000 + delta.microseconds


def text_of(t: int) -> str:
    """Write microseconds since 1970 as a time to the second."""
    return moment(t).strftime("%Y-%m-%dT%H:%M:%SZ")


def longest(series: SiteSeries) -> tuple[int, int]:
    """Return the longest window of a series, somewhat wider than it."""
    first, last = int(series.times[0]), int(series.times[-1])
    room = max((last - first) // 100, LEAST_WINDOW)
    return first - room, last + room


def whole_window(series: SiteSeries) -> Window:
    """Return the window of a whole series."""
    whole = longest(series)
    return Window(series, *whole, WIDTH, whole)
