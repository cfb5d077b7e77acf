"""The history of a meter: every figure of its checks over time, per receiver, with limits and verdicts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, Sign, legend, times
from stillwell.drawing.colours import SERIES
from stillwell.drawing.scales import Scale, scale_over
from stillwell.drawing.svg import hint, line, mark, path, picture, words

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TALL, BETWEEN = 64.0, 32.0
VERDICT_LOOKS = {
    "healthy": ("circle", "s-river"),
    "watch": ("triangle", "s-ochre"),
    "unfit": ("cross", "s-rust crossed"),
}
SHAPES = ("circle", "square", "triangle", "diamond")
INSET = 22.0


@dataclass(frozen=True)
class Quantity:
    """One figure of a meter's checks.

    ``rows`` has ``time_us``, ``value``, ``series`` (receiver, or 0 of the check as a whole) and ``label``;
    ``limits`` are drawn across, each with what it means.
    """

    label: str
    rows: pd.DataFrame
    limits: tuple[tuple[float, str], ...] = ()
    least_span: float = 0.0
    """Least span of the upright axis, so that a still quantity looks still."""


def health_svg(
    verdicts: pd.DataFrame, quantities: list[Quantity], gauged_us: Ints | None = None, name: str = "health"
) -> str:
    """Draw the history of a meter.

    Parameters
    ----------
    verdicts : DataFrame
        ``time_us``, ``verdict``, ``label``.
    quantities : list of Quantity
        One plot each, under each other; one without a value is left out.
    gauged_us : int array, optional
        When gaugings were made with the meter.
    name : str

    Returns
    -------
    str
    """
    title = "The meter's checks"
    if verdicts.empty:
        sentence = "This meter was never checked, as far as the archive knows."
        return picture(name, title, sentence, WIDTH, 60, [words(LEFT, 36, sentence)])
    shown = [q for q in quantities if q.rows["value"].notna().any()]
    gauged = np.zeros(0) if gauged_us is None else gauged_us.astype(np.float64)
    x = _time(np.r_[verdicts["time_us"].to_numpy(dtype=np.float64), gauged])
    parts = [*_verdicts(verdicts, x), *_gauged(gauged, x)]
    top = 100.0
    for i, quantity in enumerate(shown):
        parts += _plot(quantity, x, top + i * (TALL + BETWEEN))
    foot = top + len(shown) * (TALL + BETWEEN)
    frame = Plot(x, Scale(0, 1, foot - BETWEEN, top))
    parts += times(frame, grid=False)
    signs, tall = legend(_signs(verdicts, shown), LEFT, foot + 14, WIDTH - LEFT - RIGHT)
    counted = ", ".join(f"{int((verdicts['verdict'] == v).sum())} {v}" for v in VERDICT_LOOKS)
    described = f"{len(verdicts)} checks: {counted}. Drawn: {'; '.join(q.label for q in shown) or 'verdicts only'}."
    return picture(name, title, described, WIDTH, foot + 14 + tall, [*parts, *signs])


def _time(moments: Floats) -> Scale:
    low, high = float(moments.min()), float(moments.max())
    if high <= low:
        low, high = low - 15 * 86_400e6, high + 15 * 86_400e6
    room = (high - low) * INSET / (WIDTH - LEFT - RIGHT)
    return Scale(low - room, high + room, LEFT, WIDTH - RIGHT)


def _verdicts(verdicts: pd.DataFrame, x: Scale) -> list[str]:
    out = [words(10, 30, "verdict", "small strong"), line(LEFT, 26, WIDTH - RIGHT, 26, "grid")]
    for moment, word, label in zip(verdicts["time_us"], verdicts["verdict"], verdicts["label"], strict=True):
        shape, css = VERDICT_LOOKS.get(str(word), ("circle", "open"))
        out.append(
            mark(
                shape,
                x.at(float(moment)),
                26,
                6,
                css,
                hint(f"{label}: {word}"),
                data_verdict=str(word),
            )
        )
    return out


def _gauged(gauged: Floats, x: Scale) -> list[str]:
    if not gauged.size:
        return []
    ticks = [line(float(a), 48, float(a), 60, "whisker") for a in x(gauged)]
    return [words(10, 58, "gaugings", "small strong"), *ticks]


def _plot(quantity: Quantity, x: Scale, top: float) -> list[str]:
    rows = quantity.rows.dropna(subset=["value"])
    values = np.r_[rows["value"].to_numpy(dtype=np.float64), [limit for limit, _ in quantity.limits]]
    middle, half = (values.max() + values.min()) / 2, quantity.least_span / 2
    plot = Plot(x, scale_over(np.r_[values, middle - half, middle + half], top + TALL, top, room=0.12))
    out = [words(10, top - 8, quantity.label, "small strong")]
    for value, text in plot.y.ticks(3):
        css = "zero" if value == 0 else "grid"
        out += [
            line(plot.left, plot.y.at(value), plot.right, plot.y.at(value), css),
            words(LEFT - 8, plot.y.at(value) + 4, text, "small soft end"),
        ]
    for limit, meaning in quantity.limits:
        out.append(
            line(
                plot.left,
                plot.y.at(limit),
                plot.right,
                plot.y.at(limit),
                "limit",
                hint(meaning),
                data_limit=f"{limit:g}",
            )
        )
        at = plot.y.at(limit)
        # the name of a limit stands above it, or below it where another limit lies close above
        under = any(0 < at - plot.y.at(other) < 15 for other, _ in quantity.limits)
        out.append(words(plot.right, at + (12 if under else -4), meaning, "small soft end halo"))
    for i, series in enumerate(sorted({int(s) for s in rows["series"]})):
        mine = rows[rows["series"] == series].sort_values("time_us", kind="stable")
        colour, shape = SERIES[i % len(SERIES)], SHAPES[i % len(SHAPES)]
        a, b = x(mine["time_us"].to_numpy(dtype=np.float64)), plot.y(mine["value"].to_numpy(dtype=np.float64))
        out.append(path(a, b, f"l-{colour}"))
        whose = f", receiver {series}" if series else ""
        for one, other, value, label in zip(a, b, mine["value"], mine["label"], strict=True):
            out.append(mark(shape, one, other, 4, f"s-{colour}", hint(f"{label}{whose}: {value:.2f}")))
    return out


def _signs(verdicts: pd.DataFrame, shown: list[Quantity]) -> list[Sign]:
    given = {str(v) for v in verdicts["verdict"]}
    out = [Sign(*look, word) for word, look in VERDICT_LOOKS.items() if word in given]
    series = sorted({int(s) for q in shown for s in q.rows["series"] if s})
    out += [
        Sign(SHAPES[i % len(SHAPES)], f"s-{SERIES[i % len(SERIES)]}", f"receiver {s}") for i, s in enumerate(series)
    ]
    return [*out, Sign("", "limit", "limit of the office")] if any(q.limits for q in shown) else out
