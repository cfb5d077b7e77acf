"""Discharge over time: the record with its uncertainty, how its values came about, and the gaugings on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, Sign, heights, legend, times
from stillwell.drawing.reduce import limits, reduced, spans
from stillwell.drawing.scales import Scale, log_scale_over, scale_over
from stillwell.drawing.svg import area, box, hint, line, mark, path, picture, words

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

TOP, TALL, STRIPE = 40.0, 260.0, 28.0
COLUMNS = 860
"""Columns of pixels a long record is thinned to."""


@dataclass(frozen=True)
class Series:
    """A record: ``time_us`` microseconds since 1970 (UTC), rising; ``value`` NaN where missing; limits may lack."""

    time_us: Ints
    value: Floats
    lower: Floats | None = None
    upper: Floats | None = None
    marks: Mapping[str, Flags] = field(default_factory=dict)
    """How values came about, in words, each with where that holds."""


def hydrograph_svg(
    series: Series,
    gaugings: pd.DataFrame | None = None,
    *,
    value_name: str = "discharge, m3/s",
    log: bool = False,
    name: str = "hydrograph",
) -> str:
    """Draw a record over time.

    Parameters
    ----------
    series : Series
    gaugings : DataFrame, optional
        ``time_us``, ``discharge_m3_s``, ``uncertainty_m3_s`` (expanded, may be NaN), ``label``.
    value_name : str
        Name and unit of the upright axis.
    log : bool
        Space values by ratio; those at or below 0 are then not shown, which the drawing says.
    name : str

    Returns
    -------
    str
    """
    title = f"{value_name.partition(',')[0].capitalize()} over time"
    rows = (
        gaugings
        if gaugings is not None
        else pd.DataFrame(columns=["time_us", "discharge_m3_s", "uncertainty_m3_s", "label"])
    )
    rows = rows.dropna(subset=["discharge_m3_s"])
    moments = np.r_[series.time_us.astype(np.float64), rows["time_us"].to_numpy(dtype=np.float64)]
    if not moments.size:
        said = "There is no record."
        return picture(name, title, said, WIDTH, 60, [words(LEFT, 36, said)])
    plot = _plot(series, rows, moments, log)
    signs = _signs(series, rows)
    at = plot.foot + 34 + STRIPE * len(series.marks)
    shown, tall = legend(signs, LEFT, at + 14, WIDTH - LEFT - RIGHT)
    parts = [*heights(plot, value_name), *times(plot), *_record(series, plot), *_gaugings(rows, plot)]
    parts += [*_stripes(series, plot, plot.foot + 28), *shown, *_unseen(series, plot)]
    return picture(name, title, _described(series, rows), WIDTH, at + 10 + tall, parts)


def _plot(series: Series, rows: pd.DataFrame, moments: Floats, log: bool) -> Plot:
    low, high = float(moments.min()), float(moments.max())
    if high <= low:
        low, high = low - 43_200e6, high + 43_200e6
    x = Scale(low, high, LEFT, WIDTH - RIGHT)
    values = np.r_[series.value, rows["discharge_m3_s"].to_numpy(dtype=np.float64)]
    if log:
        return Plot(x, log_scale_over(values, TOP + TALL, TOP))
    half = np.nan_to_num(rows["uncertainty_m3_s"].to_numpy(dtype=np.float64))
    values = np.r_[values, rows["discharge_m3_s"].to_numpy(dtype=np.float64) + half]
    if series.upper is not None and series.upper.size:
        values = np.r_[values, series.upper]
    return Plot(x, scale_over(values, TOP + TALL, TOP, zero=True))


def _record(series: Series, plot: Plot) -> list[str]:
    x = plot.x(series.time_us.astype(np.float64))
    start, width = plot.left, plot.right - plot.left
    out = []
    if series.lower is not None and series.upper is not None:
        floor = plot.y.low
        lower = np.where(np.isfinite(series.lower), np.maximum(series.lower, floor), np.nan)
        out.append(area(*_placed(plot, *limits(x, lower, series.upper, start, width, COLUMNS)), "band"))
    a, b = reduced(x, series.value, start, width, COLUMNS)
    return [*out, path(a, plot.y(b), "fine")]


def _placed(plot: Plot, x: Floats, low: Floats, high: Floats) -> tuple[Floats, Floats, Floats]:
    return x, plot.y(low), plot.y(high)


def _gaugings(rows: pd.DataFrame, plot: Plot) -> list[str]:
    x, q = plot.x(rows["time_us"].to_numpy(dtype=np.float64)), rows["discharge_m3_s"].to_numpy(dtype=np.float64)
    half = rows["uncertainty_m3_s"].to_numpy(dtype=np.float64)
    out = []
    for a, value, u, label in zip(x, q, half, rows["label"], strict=True):
        if plot.y.log and value <= 0:
            continue
        if np.isfinite(u):
            ends = [plot.y.at(max(value - u, plot.y.low)), plot.y.at(value + u)]
            out.append(line(a, ends[0], a, ends[1], "whisker"))
        out.append(mark("diamond", a, plot.y.at(value), 4, "this", hint(f"{label}: {value:.4g} m3/s")))
    return out


def _stripes(series: Series, plot: Plot, y: float) -> list[str]:
    """Draw under the plot where each mark holds, in words at the left edge of its own stripe."""
    x = plot.x(series.time_us.astype(np.float64))
    out = []
    for i, (word, flags) in enumerate(series.marks.items()):
        at = y + STRIPE * i
        out.append(line(plot.left, at + 20, plot.right, at + 20, "grid"))
        for a, b in spans(x, flags, plot.left, plot.right - plot.left, COLUMNS):
            out.append(box(a, at + 15, max(b - a, 1.5), 9, "stripe", hint(word)))
        out.append(words(plot.left, at + 10, word, "small soft"))
    return out


def _signs(series: Series, rows: pd.DataFrame) -> Sequence[Sign]:
    out = [Sign("", "curve", "record")] if series.value.size else []
    if series.upper is not None:
        out.append(Sign("square", "band", "interval of 95 %"))
    if len(rows):
        out.append(Sign("diamond", "this", "gauging with its interval of 95 %"))
    if series.marks:
        out.append(Sign("square", "stripe", "how values came about, stripe by stripe"))
    return out


def _unseen(series: Series, plot: Plot) -> list[str]:
    count = int((series.value <= 0).sum()) if plot.y.log else 0
    return (
        [words(plot.right, plot.top - 10, f"{count} values of 0 or less are not shown", "small soft end")]
        if count
        else []
    )


def _described(series: Series, rows: pd.DataFrame) -> str:
    known = series.value[np.isfinite(series.value)]
    day = [str(np.datetime64(int(t), "us"))[:10] for t in series.time_us[[0, -1]]] if series.time_us.size else ["", ""]
    said = f"{known.size} values from {day[0]} to {day[1]}" if known.size else "No value is known"
    span = f", least {known.min():.4g}, greatest {known.max():.4g}" if known.size else ""
    held = "; ".join(f"{word}: {int(flags.sum())} values" for word, flags in series.marks.items())
    return f"{said}{span}; {len(rows)} gaugings{'; ' if held else ''}{held}."
