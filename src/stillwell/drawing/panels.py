"""Discharge of every panel, held against the shares the office allows."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, Sign, heights, legend, lengths
from stillwell.drawing.scales import Scale, scale_over
from stillwell.drawing.strips import across, ordered, strips
from stillwell.drawing.svg import box, hint, line, picture, words

Floats = NDArray[np.float64]
TOP, TALL = 40.0, 190.0


def panels_svg(
    verticals: pd.DataFrame,
    *,
    mean_section: bool = False,
    start_bank: str | None = None,
    share_high_pct: float | None = None,
    share_raised_pct: float | None = None,
    name: str = "panels",
) -> str:
    """Draw the discharge of every panel as a bar: as wide as the panel, as high as its discharge.

    Parameters
    ----------
    verticals : DataFrame
        ``vertical``, ``order_walked``, ``position_m``, ``channel``, ``discharge_m3_s``, ``share_pct``.
    mean_section : bool
        Whether a panel lies between two verticals rather than about one.
    start_bank : str, optional
    share_high_pct, share_raised_pct : float, optional
        The office's limits, percent of the sum of all panels' magnitudes.
    name : str

    Returns
    -------
    str
    """
    rows = ordered(verticals[verticals["position_m"].notna()])
    flow = rows["discharge_m3_s"].to_numpy(dtype=np.float64)
    gross = float(np.nansum(np.abs(flow)))
    if not gross > 0:
        said = "No panel carries water." if len(rows) else "No panel was computed."
        return picture(name, "Discharge of the panels", said, WIDTH, 60, [words(LEFT, 36, said)])
    limits = [(share_high_pct, "limit", "limit"), (share_raised_pct, "wish", "wanted")]
    known = [(float(share), css, word) for share, css, word in limits if share is not None]
    shown = np.r_[
        flow, [share / 100 * gross for share, _, _ in known if share <= 3 * float(np.nanmax(rows["share_pct"]))]
    ]
    y = scale_over(shown, TOP + TALL, TOP, zero=True, room=0.12)
    laid = across(rows, start_bank)
    plot = Plot(laid.scale, y)
    signs = [Sign(css="limit" if css == "limit" else "wish", shape="", said=f"{word}: {share:g} % of all flow")
             for share, css, word in known]  # fmt: skip
    meant = {"bar-high": "above the limit", "bar-raised": "above what is wanted"}
    found = set(_classes(rows["share_pct"].to_numpy(dtype=np.float64), known))
    over = [Sign("square", css, word) for css, word in meant.items() if css in found]
    signs += [Sign("square", "bar", "panel"), *over]
    shown_legend, tall = legend(signs, LEFT, plot.foot + 62, WIDTH - LEFT - RIGHT)
    parts = [
        *heights(plot, "discharge of the panel, m3/s", 5),
        *_bars(rows, plot, strips(rows, mean_section=mean_section), known),
        *_limits(plot, known, gross, bool((flow < 0).any())),
        *_shares(plot, gross),
        *lengths(plot, "distance along the tag line, m"),
        *shown_legend,
    ]
    return picture(name, "Discharge of the panels", _described(rows, known), WIDTH, plot.foot + 56 + tall, parts)


def _classes(share: Floats, known: list[tuple[float, str, str]]) -> list[str]:
    """Choose the look of every bar by the limits its share passes."""
    over = {css: share > limit for limit, css, _ in known}
    none = np.zeros(share.size, dtype=bool)
    looks = np.where(over.get("limit", none), "bar-high", np.where(over.get("wish", none), "bar-raised", "bar"))
    return [str(look) for look in looks]


def _bars(
    rows: pd.DataFrame, plot: Plot, edges: tuple[Floats, Floats], known: list[tuple[float, str, str]]
) -> list[str]:
    left, right = (plot.x(edge) for edge in edges)
    flow, share = (rows[c].to_numpy(dtype=np.float64) for c in ("discharge_m3_s", "share_pct"))
    zero = plot.y.at(0.0)
    classes = _classes(share, known)
    out = []
    for i in np.flatnonzero(np.isfinite(flow) & (edges[1] > edges[0])):
        tall = plot.y.at(float(flow[i])) - zero
        said = f"vertical {rows['vertical'].iloc[i]}: {flow[i]:.4g} m3/s, {share[i]:.1f} % of all flow"
        lean = 0.6 if right[i] > left[i] else -0.6
        out.append(
            box(left[i] + lean, zero, right[i] - left[i] - 2 * lean, tall, classes[i], hint(said),
                data_vertical=int(rows["vertical"].iloc[i]))
        )  # fmt: skip
        if classes[i] == "bar-high":
            middle = float(left[i] + right[i]) / 2
            out.append(
                words(
                    middle, zero + tall - 5 if tall <= 0 else zero + tall + 14, f"{share[i]:.0f} %", "small middle halo"
                )
            )
    return out


def _limits(plot: Plot, known: list[tuple[float, str, str]], gross: float, both: bool) -> list[str]:
    out = []
    for share, css, _ in known:
        for sign in (1, -1) if both else (1,):
            value = sign * share / 100 * gross
            if plot.y.low <= value <= plot.y.high:
                y = plot.y.at(value)
                out.append(line(plot.left, y, plot.right, y, "under"))
                out.append(line(plot.left, y, plot.right, y, css, data_share=f"{share:g}"))
    return out


def _shares(plot: Plot, gross: float) -> list[str]:
    """Write percent of all flow at the right edge."""
    percent = Scale(100 * plot.y.low / gross, 100 * plot.y.high / gross, plot.y.start, plot.y.end)
    right = WIDTH - RIGHT
    return [words(right, TOP - 10, "% of all flow", "small strong end")] + [
        words(right, percent.at(value) - 3, f"{said} %", "small soft end halo")
        for value, said in percent.ticks(4)
        if value
    ]


def _described(rows: pd.DataFrame, known: list[tuple[float, str, str]]) -> str:
    share = rows["share_pct"].to_numpy(dtype=np.float64)
    most = int(np.nanargmax(share))
    over = [f"{int((share > limit).sum())} above {limit:g} %" for limit, _, _ in known]
    return (
        f"{int(np.count_nonzero(np.nan_to_num(share)))} panels carry water; the largest, at vertical "
        f"{rows['vertical'].iloc[most]}, has {share[most]:.1f} % of all flow{'; ' if over else ''}{', '.join(over)}."
    )
