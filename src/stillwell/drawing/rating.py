"""Gauge height against discharge: gaugings, and the rating with its band where there is one; plain or by ratio."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, Sign, heights, legend, lengths
from stillwell.drawing.gaugings import drawn_first, gauging_marks, gauging_signs
from stillwell.drawing.labels import placed
from stillwell.drawing.scales import log_scale_over, plain, scale_over
from stillwell.drawing.svg import hint, path, picture, words

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TOP, TALL = 40.0, 380.0
MOST_LABELS = 60
WIDEST = 4.0
"""Times the discharge up to which the upper limit of a rating is drawn: close to zero flow it says nothing."""
LEAST_HEAD = 0.4
"""Share of the lowest gauged height above zero flow down to which a rating is drawn by ratio."""


@dataclass(frozen=True)
class Line:
    """A rating at rising stages: m, m³/s, limits (m³/s, may be absent), and where it goes beyond what was gauged."""

    stage_m: Floats
    discharge_m3_s: Floats
    beyond: Flags
    lower: Floats | None = None
    upper: Floats | None = None
    name: str = ""


def rating_svg(
    gaugings: pd.DataFrame,
    rating: Line | None = None,
    *,
    log: bool = False,
    zero_m: float = 0.0,
    name: str = "rating",
) -> str:
    """Draw gauge height against discharge.

    Parameters
    ----------
    gaugings : DataFrame
        ``stage_m``, ``discharge_m3_s``, ``uncertainty`` (expanded, m³/s, may be NaN), ``label``, and what
        ``gauging_marks`` asks for.
    rating : Line, optional
    log : bool
        Space both axes by ratio; stage is then counted from ``zero_m``, and what is not above 0 is left out.
    zero_m : float
        Stage of zero flow, m.
    name : str

    Returns
    -------
    str
    """
    title = "Gauge height and discharge" if rating is None else f"Rating {rating.name}".strip()
    rows = gaugings.dropna(subset=["stage_m", "discharge_m3_s"])
    base = zero_m if log else 0.0
    stage, flow = (rows[c].to_numpy(dtype=np.float64) for c in ("stage_m", "discharge_m3_s"))
    possible = (stage > base) & (flow > 0) if log else np.ones(stage.size, dtype=bool)
    if not possible.any() and rating is None:
        text = "No gauging with a stage and a discharge can be drawn."
        return picture(name, title, text, WIDTH, 60, [words(LEFT, 36, text)])
    rows, hidden = drawn_first(rows[possible]), int((~possible).sum())
    if rating is not None and log:
        rating = _without_lowest(rating, rows, base)
    plot = _plot(rows, rating, log, base)
    above = f"gauge height above zero flow at {plain(base)} m, m" if log and rating is not None else "gauge height, m"
    shown, tall = legend(_signs(rows, rating), LEFT, plot.foot + 62, WIDTH - LEFT - RIGHT)
    parts = [*heights(plot, above, 7), *lengths(plot, "discharge, m³/s", grid=True)]
    parts += [*_rating(rating, plot, base), *_gaugings(rows, plot, base), *shown]
    if hidden:
        text = f"{hidden} gauging{'s' if hidden > 1 else ''} at or below zero cannot be shown by ratio"
        parts.append(words(plot.right, plot.top - 10, text, "small soft end"))
    described = _described(rows, rating, hidden)
    return picture(name, title + (", by ratio" if log else ""), described, WIDTH, plot.foot + 58 + tall, parts)


def _without_lowest(rating: Line, rows: pd.DataFrame, base: float) -> Line:
    """Cut a rating far below the lowest gauging, where by ratio it would fill the drawing with what nobody gauged."""
    heads = np.r_[rows["stage_m"].to_numpy(dtype=np.float64), rating.stage_m[~rating.beyond]] - base
    heads = heads[heads > 0]
    high = rating.stage_m - base > (LEAST_HEAD * float(heads.min()) if heads.size else 0.0)
    lower, upper = (None if edge is None else edge[high] for edge in (rating.lower, rating.upper))
    return Line(rating.stage_m[high], rating.discharge_m3_s[high], rating.beyond[high], lower, upper, rating.name)


def _plot(rows: pd.DataFrame, rating: Line | None, log: bool, base: float) -> Plot:
    flow, stage = rows["discharge_m3_s"].to_numpy(dtype=np.float64), rows["stage_m"].to_numpy(dtype=np.float64)
    half = np.nan_to_num(rows["uncertainty"].to_numpy(dtype=np.float64))
    if rating is not None:
        stage = np.r_[stage, rating.stage_m]
        most = rating.discharge_m3_s if rating.upper is None else np.fmin(rating.upper, 1.6 * rating.discharge_m3_s)
        flow, half = np.r_[flow, rating.discharge_m3_s, most], np.r_[half, np.zeros(2 * most.size)]
    if log:
        return Plot(log_scale_over(flow, LEFT, WIDTH - RIGHT), log_scale_over(stage - base, TOP + TALL, TOP))
    x = scale_over(np.r_[flow + half, flow - half], LEFT, WIDTH - RIGHT, zero=True)
    return Plot(x, scale_over(stage, TOP + TALL, TOP, room=0.08))


def _rating(rating: Line | None, plot: Plot, base: float) -> list[str]:
    if rating is None:
        return []
    y = plot.y(rating.stage_m - base)
    x = plot.x(rating.discharge_m3_s)
    out = []
    if rating.lower is not None and rating.upper is not None:
        certain = rating.upper <= WIDEST * rating.discharge_m3_s
        lower = np.where(certain, rating.lower, np.nan)
        out.append(_sideways(plot.x.clipped(lower), plot.x.clipped(rating.upper), y))
    within = ~rating.beyond
    # the dashed line includes the last stage gauged, so that it meets the full one
    touched = rating.beyond | np.r_[rating.beyond[1:], False] | np.r_[False, rating.beyond[:-1]]
    out.append(path(np.where(within, x, np.nan), y, "curve", hint("rating")))
    return [*out, path(np.where(touched, x, np.nan), y, "beyond", hint("rating beyond what was gauged"))]


def _sideways(low: Floats, high: Floats, y: Floats) -> str:
    known = np.isfinite(low) & np.isfinite(high) & np.isfinite(y)
    x = np.r_[low[known], high[known][::-1]]
    return path(x, np.r_[y[known], y[known][::-1]], "band", closed=True)


def _gaugings(rows: pd.DataFrame, plot: Plot, base: float) -> list[str]:
    """Draw the gaugings, and labels where there is room; those drawn last find their place first."""
    flow, stage, half = (rows[c].to_numpy(dtype=np.float64) for c in ("discharge_m3_s", "stage_m", "uncertainty"))
    x, y = plot.x(flow), plot.y(stage - base)
    half = np.where(half > 0, half, np.nan)
    out = gauging_marks(rows, x, y, (plot.x.clipped(flow - half), plot.x.clipped(flow + half)), level=True)
    marks = [(float(a), float(b), str(label)) for a, b, label in zip(x, y, rows["label"], strict=True)]
    frame = (LEFT, TOP, WIDTH - RIGHT, plot.foot)
    texts = placed(marks[::-1][:MOST_LABELS], frame)
    return [*out, *(words(left, foot, text, "small soft halo beside") for left, foot, text in texts)]


def _signs(rows: pd.DataFrame, rating: Line | None) -> list[Sign]:
    out = gauging_signs(rows)
    if "faint" in rows and rows["faint"].any():
        out.append(Sign("circle", "open faint", "made while another rating held"))
    if rating is None:
        return out
    out.append(Sign("", "curve", "rating"))
    if rating.beyond.any():
        out.append(Sign("", "beyond", "beyond what was gauged"))
    return out if rating.upper is None else [*out, Sign("square", "band", "interval of 95 % of the rating")]


def _described(rows: pd.DataFrame, rating: Line | None, hidden: int) -> str:
    text = "No gauging is drawn"
    if len(rows):
        h, q = rows["stage_m"], rows["discharge_m3_s"]
        text = f"{len(rows)} gaugings between {h.min():.3f} and {h.max():.3f} m, {q.min():.4g} and {q.max():.4g} m³/s"
    more = f"; {hidden} not shown" if hidden else ""
    return f"{text}{more}{'' if rating is None else '; with a rating, dashed beyond what was gauged'}."
