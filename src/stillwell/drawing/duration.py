"""How often a discharge is reached or passed, as a curve."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, heights, lengths
from stillwell.drawing.scales import Scale, log_scale_over
from stillwell.drawing.svg import hint, line, mark, path, picture, words

TOP, TALL = 40.0, 240.0
READ_AT = (5.0, 50.0, 95.0)

LEAST_SHARE = 1e-4
"""Share of the greatest discharge down to which the curve is drawn; near zero flow a rating gives any small number."""


def duration_svg(duration: pd.DataFrame, name: str = "duration") -> str:
    """Draw a flow duration curve.

    Parameters
    ----------
    duration : DataFrame
        ``discharge_m3_s`` falling, ``reached_pct`` rising, as from ``hydrometry.record.totals.flow_duration``.
    name : str

    Returns
    -------
    str
    """
    title = "Flow duration"
    q, p = (duration[c].to_numpy(dtype=np.float64) for c in ("discharge_m3_s", "reached_pct"))
    flows = q > 0
    if flows.sum() < 2:
        sentence = "There are too few days with a mean for a flow duration curve."
        return picture(name, title, sentence, WIDTH, 60, [words(LEFT, 36, sentence)])
    least = LEAST_SHARE * float(q.max())
    tiny = flows & (q < least)
    flows &= ~tiny
    plot = Plot(Scale(0, 100, LEFT, WIDTH - RIGHT), log_scale_over(q[flows], TOP + TALL, TOP))
    x, y = plot.x(p[flows]), plot.y(q[flows])
    kept = np.r_[True, np.diff(np.round(x)) + np.abs(np.diff(np.round(y))) > 0]
    kept[-1] = True
    parts = [
        *heights(plot, "daily mean discharge, m³/s"),
        *lengths(plot, "share of days on which it is reached or passed, %", grid=True),
    ]
    parts.append(path(x[kept], y[kept], "curve"))
    read = np.interp(READ_AT, p, q, left=np.nan, right=np.nan)
    for percent, value in zip(READ_AT, read, strict=True):
        if np.isfinite(value) and value >= plot.y.low:
            a, b = plot.x.at(percent), plot.y.at(float(value))
            text = f"{value:.3g} m³/s on {percent:g} % of days"
            parts += [line(a, b, a, plot.foot, "wish"), mark("circle", a, b, 4, "open", hint(text))]
            parts.append(
                words(
                    a + 8 if percent < 90 else a - 8,
                    b - 8 if percent < 90 and b > TOP + 20 else b + 18,
                    text,
                    "small halo" + ("" if percent < 90 else " end"),
                )
            )
    described = "; ".join(f"{v:.3g} m³/s on {c:g} %" for c, v in zip(READ_AT, read, strict=True) if np.isfinite(v))
    if tiny.any():
        text = f"below {least:.2g} m³/s nothing is drawn"
        parts.append(words(plot.right, TOP - 10, text, "small soft end"))
    dry = f" {100 - float(p[flows].max()):.1f} % of days lie at 0 or beyond the last rank." if (~flows).any() else ""
    return picture(name, title, f"Reached or passed: {described}.{dry}", WIDTH, plot.foot + 52, parts)
