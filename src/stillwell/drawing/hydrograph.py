"""A series over time: its values with their uncertainty, how they came about, and the gaugings on it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, Sign, heights, legend, times
from stillwell.drawing.gaugings import evenly_spread, gauging_marks, gauging_signs
from stillwell.drawing.scales import Scale, log_scale_over, scale_over
from stillwell.drawing.svg import area, box, element, hint, line, path, picture, slug, words
from stillwell.drawing.thinning import Limits
from stillwell.drawing.window import Series, Window

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TOP, TALL, STRIPE = 40.0, 290.0, 30.0
COLUMNS = 860
"""Spans a long record is thinned to where nothing else is asked for."""
WORDS = {
    "below gauged": "below the lowest gauging (extrapolated)",
    "above gauged": "above the highest gauging (extrapolated)",
    "shift held": "shift held beyond the visits it was found at",
    "no rating": "no rating holds, so no discharge",
}
"""Marks of a record in fuller words, where one is short."""
NO_GAUGINGS = pd.DataFrame(columns=["time_us", "value", "uncertainty", "label", "hint", "role", "approved"])


def in_words(mark: str) -> str:
    """Write a mark in full."""
    return WORDS.get(mark, mark)


def hydrograph_svg(
    window: Window, gaugings: pd.DataFrame | None = None, *, log: bool = False, name: str = "hydrograph"
) -> str:
    """Draw a window of a series.

    Parameters
    ----------
    window : Window
    gaugings : DataFrame, optional
        Those of the window: ``time_us``, ``value`` (in the unit of the series), ``uncertainty`` (expanded, may be NaN),
        and what ``gauging_marks`` asks for.
    log : bool
        Space values by ratio; those at or below 0 are then not shown, which the drawing says.
    name : str

    Returns
    -------
    str
        The whole has the attributes ``data-from`` and ``data-to`` (ms since 1970) and the px of the plot's edges.
    """
    series = window.series
    title = f"{series.title} over time"
    rows = NO_GAUGINGS if gaugings is None else gaugings.dropna(subset=["value"])
    rows = evenly_spread(rows[rows["value"] > 0] if log else rows)
    if not series.times.size and rows.empty:
        text = "There is no record."
        return picture(name, title, text, WIDTH, 60, [words(LEFT, 36, text)])
    plot = Plot(Scale(window.start, window.end, LEFT, WIDTH - RIGHT), _upright(window, rows, log))
    clip = f"{slug(name)}-plot"
    frame = box(plot.left, plot.top - 8, plot.right - plot.left, plot.foot - plot.top + 9, "")
    foot = plot.foot + 34 + STRIPE * len(window.marks)
    shown, tall = legend(_signs(window, rows), LEFT, foot + 14, WIDTH - LEFT - RIGHT)
    parts = [
        element("defs", {}, element("clipPath", {"id": clip}, frame)),
        *heights(plot, f"{series.title}, {series.unit}"),
        *times(plot),
        element("g", {"clip_path": f"url(#{clip})"}, _band(window, plot), _line(window, plot)),
        *_gaugings(rows, plot),
        *_stripes(window, plot, plot.foot + 28),
        *shown,
        *_unseen(window, plot),
    ]
    return picture(
        name,
        title,
        _described(window, rows),
        WIDTH,
        foot + 10 + tall,
        parts,
        data_from=window.start // 1000,
        data_to=window.end // 1000,
        data_left=plot.left,
        data_right=plot.right,
        data_top=plot.top,
        data_foot=plot.foot,
        data_wide=WIDTH,
    )


def _upright(window: Window, rows: pd.DataFrame, log: bool) -> Scale:
    """Choose the upright scale: it holds values, limits and gaugings, and 0 unless stage is shown."""
    values, gauged = window.thinned.values, rows["value"].to_numpy(dtype=np.float64)
    if log:
        return log_scale_over(np.r_[values, gauged], TOP + TALL, TOP)
    half = np.nan_to_num(rows["uncertainty"].to_numpy(dtype=np.float64))
    ends = [values, gauged + half, gauged - half]
    flows = window.series.unit != "m"
    if window.band is not None:
        # a lower limit below zero flow says nothing, and would move the foot of the plot
        ends += [np.maximum(window.band.low, 0.0) if flows else window.band.low, window.band.high]
    if flows and not (np.r_[values, gauged] < 0).any():
        ends = [np.maximum(end, 0.0) for end in ends]
    return scale_over(np.concatenate(ends), TOP + TALL, TOP, zero=flows)


def _band(window: Window, plot: Plot) -> str:
    """Fill between the limits, run by run; those of means are levels, as the means are."""
    limits = window.band
    if limits is None:
        return ""
    if window.series.levels and not window.thinned.thinned:
        limits = _level_limits(limits, int(window.series.step))
    x = _broken(plot.x(limits.times.astype(np.float64)), limits.breaks)
    low, high = (_broken(plot.y.clipped(edge), limits.breaks) for edge in (limits.low, limits.high))
    return area(x, low, high, "band")


def _broken(values: Floats, breaks: NDArray[np.bool_]) -> Floats:
    """Insert NaN before each break, so that what is drawn is interrupted there."""
    return np.insert(values, np.flatnonzero(breaks), np.nan)


def _level_limits(limits: Limits, step: int) -> Limits:
    times_us = np.column_stack([limits.times, limits.times + step]).ravel()
    breaks = np.column_stack([limits.breaks, np.zeros(limits.breaks.size, dtype=np.bool_)]).ravel()
    return Limits(times_us, np.repeat(limits.low, 2), np.repeat(limits.high, 2), breaks)


def _line(window: Window, plot: Plot) -> str:
    """Draw the values: joined by a line, as levels over the span each is the mean of, or as dots."""
    picked, series = window.thinned, window.series
    t, values = picked.times.astype(np.float64), picked.values
    if not series.joined:
        x, y = plot.x(t), plot.y(values)
        return path(np.column_stack([x, x, x]).ravel(), np.column_stack([y, y, y * np.nan]).ravel(), "dots")
    breaks = picked.breaks
    if series.levels and not picked.thinned:
        breaks = np.column_stack([np.r_[True, np.diff(t) > series.step + 1], np.zeros(t.size, dtype=np.bool_)]).ravel()
        t, values = np.column_stack([t, t + series.step]).ravel(), np.repeat(values, 2)
    return path(_broken(plot.x(t), breaks), _broken(plot.y(values), breaks), "fine")


def _gaugings(rows: pd.DataFrame, plot: Plot) -> list[str]:
    x, value = plot.x(rows["time_us"].to_numpy(dtype=np.float64)), rows["value"].to_numpy(dtype=np.float64)
    half = rows["uncertainty"].to_numpy(dtype=np.float64)
    half = np.where(half > 0, half, np.nan)
    ends = plot.y.clipped(value - half), plot.y.clipped(value + half)
    return gauging_marks(rows, x, plot.y(value), ends, level=False)


def _stripes(window: Window, plot: Plot, y: float) -> list[str]:
    """Draw under the plot where each mark holds, in words above a stripe of its own."""
    out = []
    for i, (mark, spans) in enumerate(window.marks):
        at = y + STRIPE * i
        out.append(words(plot.left, at + 11, in_words(mark), "small soft"))
        out.append(line(plot.left, at + 22, plot.right, at + 22, "grid"))
        edges = plot.x.clipped(np.array(spans, dtype=np.float64))
        bars = [box(a, at + 16, max(b - a, 1.5), 9, "stripe") for a, b in edges.tolist()]
        out.append(element("g", {}, hint(in_words(mark)), *bars))
    return out


def _signs(window: Window, rows: pd.DataFrame) -> list[Sign]:
    series = window.series
    out = []
    if window.thinned.values.size:
        out.append(Sign("", "curve", "value") if series.joined else Sign("circle", "s-river", "value"))
    if window.band is not None:
        out.append(Sign("square", "band", "interval of 95 %"))
    out += gauging_signs(rows)
    return [*out, Sign("square", "stripe", "how values came about, stripe by stripe")] if window.marks else out


def _unseen(window: Window, plot: Plot) -> list[str]:
    count = int((window.thinned.values <= 0).sum()) if plot.y.log else 0
    text = f"{count} of the values drawn are 0 or less and not shown"
    return [words(plot.right, plot.top - 10, text, "small soft end")] if count else []


def _described(window: Window, rows: pd.DataFrame) -> str:
    picked = window.thinned
    first, last = (str(np.datetime64(int(t), "us"))[:10] for t in (window.start, window.end))
    text = f"{picked.taken} values from {first} to {last}" if picked.taken else "No value is known"
    span = f", least {picked.low:.4g}, greatest {picked.high:.4g} {window.series.unit}" if picked.taken else ""
    marks = "; ".join(in_words(mark) for mark, _ in window.marks)
    return f"{text}{span}; {len(rows)} gaugings{'. Some values are ' if marks else ''}{marks}."


def whole_window(series: Series, gauged_us: Ints, width: int = COLUMNS) -> Window:
    """Return the window that holds all of a series and some moments; a day about the only moment."""
    moments = np.r_[series.times, gauged_us]
    low, high = (int(moments.min()), int(moments.max()) + 1) if moments.size else (0, 1)
    if high - low <= 1:
        low, high = low - 43_200_000_000, high + 43_200_000_000
    return Window(series, low, high, width)
