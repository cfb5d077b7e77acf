"""How sure a discharge is, as pictures: what the variance is made of, and the intervals beside each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, lengths
from stillwell.drawing.scales import Scale, scale_over
from stillwell.drawing.svg import box, hint, line, mark, picture, words

ROW, NAMES = 26.0, 210.0


def budget_svg(budget: pd.DataFrame, name: str = "budget") -> str:
    """Draw the share of each component in the variance, the largest first, with its own standard uncertainty.

    Parameters
    ----------
    budget : DataFrame
        ``component``, ``standard_m3_s``, ``variance_pct``.
    name : str

    Returns
    -------
    str
    """
    title = "What the uncertainty from tables is made of"
    rows = budget.dropna(subset=["variance_pct"]).sort_values(["variance_pct", "component"], ascending=[False, True])
    if rows.empty:
        sentence = "There is no budget: nothing was computed from points."
        return picture(name, title, sentence, WIDTH, 60, [words(LEFT, 36, sentence)])
    start, end = LEFT + NAMES, WIDTH - RIGHT - 190
    most = float(rows["variance_pct"].max())
    scale = Scale(0.0, max(math.ceil(most / 10 - 1e-9) * 10.0, 10.0), start, end)
    foot = 30 + ROW * len(rows)
    parts = [
        words(start, 18, "share of the variance", "small strong"),
        words(WIDTH - RIGHT, 18, "alone, k = 1, m³/s", "small strong end"),
    ]
    for value, text in scale.ticks(5):
        parts += [
            line(scale.at(value), 28, scale.at(value), foot, "grid"),
            words(scale.at(value), foot + 16, f"{text} %", "small soft middle"),
        ]
    columns = zip(rows["component"], rows["variance_pct"], rows["standard_m3_s"], strict=True)
    for i, (component, share, standard) in enumerate(columns):
        y = 32 + ROW * i
        text = f"{component}: {share:.1f} % of the variance, {standard:.3g} m³/s by itself"
        long = scale.at(float(share)) - start
        parts += [
            words(start - 10, y + 14, str(component), "end"),
            box(start, y, long, ROW - 8, "bar", hint(text), data_component=str(component)),
            words(start + long + 6, y + 14, f"{share:.1f} %", "small"),
            words(WIDTH - RIGHT, y + 14, f"{standard:.3g}", "end"),
        ]
    first = rows.iloc[0]
    described = (
        f"{len(rows)} components. Largest: {first['component']} with {first['variance_pct']:.1f} % of the variance."
    )
    return picture(name, title, described, WIDTH, foot + 30, parts)


@dataclass(frozen=True)
class Interval:
    """One statement of a discharge: value, half width of its interval (NaN: none), and what it is."""

    label: str
    value: float
    half: float
    shape: str = "circle"


def intervals_svg(intervals: Sequence[Interval], unit: str = "m³/s", name: str = "intervals") -> str:
    """Draw several statements of one discharge under each other, each with its interval.

    Parameters
    ----------
    intervals : sequence of Interval
        Those without a value are left out.
    unit : str
    name : str

    Returns
    -------
    str
    """
    title = "Discharge and how sure it is"
    shown = [i for i in intervals if math.isfinite(i.value)]
    if not shown:
        sentence = "No discharge is known."
        return picture(name, title, sentence, WIDTH, 60, [words(LEFT, 36, sentence)])
    halves = [i.half if math.isfinite(i.half) else 0.0 for i in shown]
    ends = [i.value + sign * half for i, half in zip(shown, halves, strict=True) for sign in (-1, 1)]
    scale = scale_over(np.array(ends), LEFT + NAMES, WIDTH - RIGHT - 20, room=0.08)
    foot = 14 + ROW * len(shown)
    plot = Plot(scale, Scale(0, 1, foot, 10))
    parts = [line(scale.at(v), 10, scale.at(v), foot, "grid") for v, _ in scale.ticks(7)]
    for i, (one, half) in enumerate(zip(shown, halves, strict=True)):
        y = 26 + ROW * i
        low, high = scale.at(one.value - half), scale.at(one.value + half)
        width = f", plus or minus {half:.3g}" if half else ""
        parts += [words(LEFT + NAMES - 10, y + 4, one.label, "end")]
        if half:
            parts += [line(low, y, high, y, "whisker"), *(line(x, y - 5, x, y + 5, "whisker") for x in (low, high))]
        parts.append(
            mark(one.shape, scale.at(one.value), y, 5, "s-river", hint(f"{one.label}: {one.value:.4g} {unit}{width}"))
        )
    described = "; ".join(
        f"{i.label}: {i.value:.4g} {unit}" + (f" plus or minus {h:.3g}" if h else "")
        for i, h in zip(shown, halves, strict=True)
    )
    return picture(name, title, described + ".", WIDTH, foot + 46, [*parts, *lengths(plot, unit, 7)])
