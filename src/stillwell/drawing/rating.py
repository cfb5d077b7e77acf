"""Stage against discharge: gaugings, and the rating with its band where there is one; plain or by ratio."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, Sign, heights, legend, lengths
from stillwell.drawing.labels import placed
from stillwell.drawing.scales import log_scale_over, scale_over
from stillwell.drawing.svg import hint, line, mark, path, picture, words

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TOP, TALL = 40.0, 340.0
MOST_LABELS = 30
WIDEST = 4.0
"""Times the discharge up to which the upper limit of a rating is drawn: close to zero flow it says nothing."""
LEAST_HEAD = 0.4
"""Share of the lowest gauged height above zero flow down to which a rating is drawn by ratio."""


@dataclass(frozen=True)
class Line:
    """A rating at rising stages: m, m3/s, limits (m3/s, may be absent), and where it goes beyond what was gauged."""

    stage_m: Floats
    discharge_m3_s: Floats
    beyond: Flags
    lower: Floats | None = None
    upper: Floats | None = None


def rating_svg(
    gaugings: pd.DataFrame,
    rating: Line | None = None,
    *,
    log: bool = False,
    zero_m: float = 0.0,
    name: str = "rating",
) -> str:
    """Draw stage against discharge.

    Parameters
    ----------
    gaugings : DataFrame
        ``stage_m``, ``discharge_m3_s``, ``uncertainty_m3_s`` (expanded, may be NaN), ``label``, ``role``: this, used,
        out (kept out of ratings) or other.
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
    title = "Stage and discharge" if rating is None else "The rating"
    rows = gaugings.dropna(subset=["stage_m", "discharge_m3_s"])
    base = zero_m if log else 0.0
    stage, flow = (rows[c].to_numpy(dtype=np.float64) for c in ("stage_m", "discharge_m3_s"))
    drawn = (stage > base) & (flow > 0) if log else np.ones(stage.size, dtype=bool)
    if not drawn.any() and rating is None:
        said = "No gauging with a stage and a discharge can be drawn."
        return picture(name, title, said, WIDTH, 60, [words(LEFT, 36, said)])
    rows, hidden = rows[drawn], int((~drawn).sum())
    if rating is not None and log:
        rating = _lifted(rating, rows, base)
    plot = _plot(rows, rating, log, base)
    above = f"stage above {base:g} m, m" if log and base else "stage, m"
    shown, tall = legend(_signs(rows, rating), LEFT, plot.foot + 62, WIDTH - LEFT - RIGHT)
    parts = [*heights(plot, above, 7), *lengths(plot, "discharge, m3/s", grid=True)]
    parts += [*_rating(rating, plot, base), *_gaugings(rows, plot, base), *shown]
    if hidden:
        said = (
            f"{hidden} gaugings at or below zero cannot be shown by ratio"
            if hidden > 1
            else "1 gauging at or below zero cannot be shown by ratio"
        )
        parts.append(words(plot.right, plot.top - 10, said, "small soft end"))
    return picture(
        name,
        title + (", by ratio" if log else ""),
        _described(rows, rating, hidden),
        WIDTH,
        plot.foot + 58 + tall,
        parts,
    )


def _lifted(rating: Line, rows: pd.DataFrame, base: float) -> Line:
    """Cut a rating far below the lowest gauging, where by ratio it would fill the drawing with what nobody gauged."""
    heads = np.r_[rows["stage_m"].to_numpy(dtype=np.float64), rating.stage_m[~rating.beyond]] - base
    heads = heads[heads > 0]
    kept = rating.stage_m - base > (LEAST_HEAD * float(heads.min()) if heads.size else 0.0)
    low, high = (None if edge is None else edge[kept] for edge in (rating.lower, rating.upper))
    return Line(rating.stage_m[kept], rating.discharge_m3_s[kept], rating.beyond[kept], low, high)


def _plot(rows: pd.DataFrame, rating: Line | None, log: bool, base: float) -> Plot:
    flow, stage = rows["discharge_m3_s"].to_numpy(dtype=np.float64), rows["stage_m"].to_numpy(dtype=np.float64)
    half = np.nan_to_num(rows["uncertainty_m3_s"].to_numpy(dtype=np.float64))
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
        least = plot.x.low if plot.x.log else -np.inf
        sure = rating.upper <= WIDEST * rating.discharge_m3_s
        lower = np.where(sure, np.maximum(rating.lower, least), np.nan)
        upper = np.minimum(rating.upper, plot.x.high)
        out.append(_sideways(plot.x(lower), plot.x(upper), y))
    within = ~rating.beyond
    touched = rating.beyond | np.r_[rating.beyond[1:], False] | np.r_[False, rating.beyond[:-1]]
    out.append(path(np.where(within, x, np.nan), y, "curve"))
    return [*out, path(np.where(touched, x, np.nan), y, "beyond")]


def _sideways(low: Floats, high: Floats, y: Floats) -> str:
    known = np.isfinite(low) & np.isfinite(high) & np.isfinite(y)
    x = np.r_[low[known], high[known][::-1]]
    return path(x, np.r_[y[known], y[known][::-1]], "band", closed=True)


_LOOKS = {
    "this": ("diamond", "this"),
    "used": ("circle", "full"),
    "out": ("cross", "struck"),
    "other": ("circle", "open"),
}
_MEANT = {"this": "this gauging", "used": "gauging used", "out": "kept out of ratings", "other": "gauging"}


def _gaugings(rows: pd.DataFrame, plot: Plot, base: float) -> list[str]:
    ordered = rows.assign(_last=rows["role"] == "this").sort_values("_last", kind="stable")
    x = plot.x(ordered["discharge_m3_s"].to_numpy(dtype=np.float64))
    y = plot.y(ordered["stage_m"].to_numpy(dtype=np.float64) - base)
    out = []
    columns = zip(
        x,
        y,
        ordered["discharge_m3_s"],
        ordered["stage_m"],
        ordered["uncertainty_m3_s"],
        ordered["label"],
        ordered["role"],
        strict=True,
    )
    for a, b, q, h, u, label, role in columns:
        shape, css = _LOOKS.get(str(role), _LOOKS["other"])
        if np.isfinite(u) and u > 0:
            low, high = plot.x.at(max(q - u, plot.x.low)), plot.x.at(min(q + u, plot.x.high))
            out.append(line(low, b, high, b, "whisker"))
        said = hint(f"{label}: {q:.4g} m3/s at {h:.3f} m")
        out.append(mark(shape, a, b, 6.5 if role == "this" else 4.2, css, said, data_role=str(role)))
    if len(ordered) <= MOST_LABELS:
        marks = [(float(a), float(b), str(label)) for a, b, label in zip(x, y, ordered["label"], strict=True)]
        frame = (LEFT, TOP, WIDTH - RIGHT, plot.foot)
        out += [words(left, foot, text, "small soft halo") for left, foot, text in placed(marks[::-1], frame)]
    return out


def _signs(rows: pd.DataFrame, rating: Line | None) -> list[Sign]:
    roles = [role for role in _LOOKS if (rows["role"] == role).any()]
    out = [Sign(*_LOOKS[role], _MEANT[role]) for role in roles]
    if rows["uncertainty_m3_s"].notna().any():
        out.append(Sign("", "whisker", "its interval of 95 %"))
    if rating is None:
        return out
    out.append(Sign("", "curve", "rating"))
    if rating.beyond.any():
        out.append(Sign("", "beyond", "beyond what was gauged"))
    return out if rating.upper is None else [*out, Sign("square", "band", "interval of 95 % of the rating")]


def _described(rows: pd.DataFrame, rating: Line | None, hidden: int) -> str:
    said = "No gauging is drawn"
    if len(rows):
        h, q = rows["stage_m"], rows["discharge_m3_s"]
        said = f"{len(rows)} gaugings between {h.min():.3f} and {h.max():.3f} m, {q.min():.4g} and {q.max():.4g} m3/s"
    more = f"; {hidden} not shown" if hidden else ""
    return f"{said}{more}{'' if rating is None else '; with a rating, dashed beyond what was gauged'}."
