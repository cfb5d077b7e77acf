"""The frame of a plot: grid, round numbers, names of the axes, legend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stillwell.drawing.scales import Scale, time_ticks
from stillwell.drawing.svg import line, mark, words

WIDTH = 960.0
LEFT, RIGHT = 72.0, 28.0
"""Width of every drawing and its margins, px, so that drawings of one section stand under each other."""


@dataclass(frozen=True)
class Plot:
    """Two scales at right angles; ``y`` starts at the foot."""

    x: Scale
    y: Scale

    @property
    def left(self) -> float:
        """Left edge, px."""
        return min(self.x.start, self.x.end)

    @property
    def right(self) -> float:
        """Right edge, px."""
        return max(self.x.start, self.x.end)

    @property
    def top(self) -> float:
        """Upper edge, px."""
        return min(self.y.start, self.y.end)

    @property
    def foot(self) -> float:
        """Lower edge, px."""
        return max(self.y.start, self.y.end)


def heights(plot: Plot, name: str, about: int = 6, lift: float = 10) -> list[str]:
    """Draw the grid across, with the numbers of the upright axis to the left and its name above them."""
    out = []
    for value, text in plot.y.ticks(about):
        y = plot.y.at(value)
        css = "zero" if value == 0 and not plot.y.log else "grid"
        out += [line(plot.left, y, plot.right, y, css), words(plot.left - 8, y + 4, text, "small soft end")]
    out.append(words(10, plot.top - lift, name, "small strong"))
    return out


def lengths(plot: Plot, name: str, about: int = 9, *, grid: bool = False) -> list[str]:
    """Draw the numbers of the level axis under the plot, and its name under them to the right."""
    return [*_level(plot, plot.x.ticks(about), grid), words(plot.right, plot.foot + 36, name, "small strong end")]


def times(plot: Plot, about: int = 8, *, grid: bool = True) -> list[str]:
    """Draw round moments (UTC) under the plot; the scale counts microseconds since 1970."""
    return _level(plot, time_ticks(plot.x.low, plot.x.high, about), grid)


def _level(plot: Plot, ticks: Sequence[tuple[float, str]], grid: bool) -> list[str]:
    out = [line(plot.left, plot.foot, plot.right, plot.foot, "axis")]
    for value, text in ticks:
        x = plot.x.at(value)
        out.append(
            line(x, plot.top if grid else plot.foot, x, plot.foot + (0 if grid else 5), "grid" if grid else "axis")
        )
        out.append(words(x, plot.foot + 18, text, "small soft middle"))
    return out


@dataclass(frozen=True)
class Sign:
    """One entry of a legend: a mark (a shape) or a line (shape empty), its class, and what it means."""

    shape: str
    css: str
    meaning: str


def legend(signs: Sequence[Sign], x: float, y: float, width: float) -> tuple[list[str], float]:
    """Set the entries of a legend side by side, in as many rows as they need.

    Returns
    -------
    list of str
    float
        Height used, px.
    """
    out, at, row = [], x, 0
    for sign in signs:
        wide = 30 + 7.1 * len(sign.meaning) + 18
        if at + wide > x + width and at > x:
            at, row = x, row + 1
        middle = y + 20 * row
        if sign.shape:
            out.append(mark(sign.shape, at + 9, middle - 4, 5, sign.css))
        else:
            out.append(line(at, middle - 4, at + 20, middle - 4, sign.css))
        out.append(words(at + 26, middle, sign.meaning, "small"))
        at += wide
    return out, 20.0 * (row + 1) if signs else 0.0
