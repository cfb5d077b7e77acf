"""Pieces of SVG: elements with every value escaped, scales, and round steps for axes. Reads nothing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from markupsafe import Markup, escape

from stillwell.reading.trace.graph import harmless

Child = Markup | str


def element(name: str, *inside: Child | None, **attributes: Any) -> Markup:
    """Write an element; text and attribute values are escaped, ``class_`` is class, ``_`` in names is ``-``."""
    said = "".join(
        f' {key.rstrip("_").replace("__", ":").replace("_", "-")}="{escape(_plain(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    content = "".join(str(_inside(child)) for child in inside if child is not None)
    return Markup(f"<{name}{said}>{content}</{name}>")


def _inside(child: Child) -> Markup:
    return child if isinstance(child, Markup) else escape(harmless(child))


def _plain(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return harmless(str(value))


def joined(parts: Iterable[Child]) -> Markup:
    """Put pieces one after the other."""
    return Markup("").join(parts)


def picture(width: float, height: float, title: str, *inside: Child, **more: Any) -> Markup:
    """Write a picture that scales with the page and is announced by its title; one with links says role="group"."""
    attributes = {"class_": "drawing", "viewBox": f"0 0 {width:g} {height:g}", "role": "img"} | more
    return element("svg", *inside, **attributes, aria_label=title)


@dataclass(frozen=True)
class Scale:
    """Numbers from ``low`` to ``high`` along the page from ``start`` to ``end``; ``log`` spaces them by ratio."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def __call__(self, value: float) -> float:
        """Return the place of a value; by ratio, what is not above the least of the scale lies at its start."""
        if self.log:
            share = math.log(max(value, self.low) / self.low) / math.log(self.high / self.low)
            return self.start + share * (self.end - self.start)
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def steps(self, about: int = 6) -> list[float]:
        """Return round values within."""
        if not self.log:
            return round_steps(self.low, self.high, about)
        powers = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
        for digits in ((1, 1.5, 2, 3, 5, 7), (1, 2, 5), (1, 3), (1,)):
            within = [d * 10.0**p for p in powers for d in digits if self.low <= d * 10.0**p <= self.high]
            if len(within) <= 1.7 * about:
                break
        return within[:: max(1, len(within) // (2 * about))]


def by_ratio(values: Sequence[float], start: float, end: float) -> Scale:
    """Make a scale by ratio that holds every value above 0, a little wider than they are."""
    known = [value for value in values if value is not None and math.isfinite(value) and value > 0]
    low, high = (min(known), max(known)) if known else (0.1, 10.0)
    low, high = (low / 1.5, high * 1.5) if high < low * 1.5 else (low / 1.1, high * 1.1)
    return Scale(low, high, start, end, log=True)


def around(values: Sequence[float], part: float = 0.06, least: float = 1e-3) -> tuple[float, float]:
    """Return bounds a little wider than some finite values; 0 to 1 without any."""
    known = [value for value in values if value is not None and math.isfinite(value)]
    if not known:
        return 0.0, 1.0
    low, high = min(known), max(known)
    room = max((high - low) * part, abs(high) * 1e-9, least)
    return low - room, high + room


def round_steps(low: float, high: float, about: int = 6) -> list[float]:
    """Return multiples of 1, 2 or 5 times a power of ten between two bounds."""
    span = high - low
    if not (span > 0 and math.isfinite(span)):
        return [low] if math.isfinite(low) else []
    raw = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next((power * m for m in (1, 2, 5, 10) if power * m >= raw), power * 10)
    first = math.ceil(low / step - 1e-9)
    return [step * i for i in range(first, math.floor(high / step + 1e-9) + 1)]


def short(value: float) -> str:
    """Write a value of an axis."""
    if value and (abs(value) >= 1e6 or abs(value) < 1e-4):
        return f"{value:.2g}"
    return f"{value:.4f}".rstrip("0").rstrip(".") if abs(value) < 1000 else f"{value:.0f}"


_DAY = 86_400_000_000
_TIME_STEPS = [60, 300, 900, 3600, 3 * 3600, 6 * 3600, 12 * 3600, 86400, 2 * 86400, 7 * 86400, 14 * 86400]
_MONTH_STEPS = [1, 3, 6, 12, 24, 60, 120, 240, 600, 1200]


def time_steps(start: int, end: int, about: int = 7) -> list[tuple[int, str]]:
    """Return round moments between two, in microseconds since 1970, each with what is written under it."""
    span = (end - start) / 1e6 / max(about, 1)
    for seconds in _TIME_STEPS:
        if seconds >= span:
            step = seconds * 1_000_000
            first = -(-start // step) * step
            form = "%H:%M" if seconds < 86400 else "%d %b"
            return [(t, _said(t, form)) for t in range(first, end + 1, step)]
    months = next((m for m in _MONTH_STEPS if m * 30.4 * 86400 >= span), _MONTH_STEPS[-1])
    at = moment(start)
    number = -(-(at.year * 12 + at.month - 1) // months) * months
    out = []
    while number // 12 <= 9998:
        t = micros(datetime(number // 12, number % 12 + 1, 1, tzinfo=UTC))
        if t > end:
            break
        if t >= start:
            out.append((t, f"{number // 12}" if months >= 12 else _said(t, "%b %Y")))
        number += months
    return out


def _said(t: int, form: str) -> str:
    at = moment(t)
    return at.strftime("%d %b %Y" if form == "%H:%M" and t % _DAY == 0 else form)


def moment(t: int) -> datetime:
    """Return microseconds since 1970 as a time in UTC; what no calendar holds is held at its ends."""
    return datetime.fromtimestamp(min(max(t, -62_135_596_800_000_000), 253_370_764_800_000_000) / 1e6, UTC)


def micros(at: datetime) -> int:
    """Return a time as microseconds since 1970."""
    delta = at - datetime(1970, 1, 1, tzinfo=UTC)
    return (delta.days * 86_400 + delta.seconds) * 1_000_000 + delta.microseconds


def axis_below(scale: Scale, y: float, steps: Iterable[tuple[float, str]], title: str, top: float) -> Markup:
    """Write a horizontal axis with faint lines up to ``top``."""
    parts: list[Child] = []
    for value, said in steps:
        x = scale(value)
        parts.append(element("line", class_="grid", x1=x, x2=x, y1=top, y2=y))
        anchor = "end" if x > scale.end - 24 else "middle"
        parts.append(element("text", said, class_="tick", x=x, y=y + 18, text_anchor=anchor))
    parts.append(element("line", class_="axis", x1=scale.start, x2=scale.end, y1=y, y2=y))
    middle = (scale.start + scale.end) / 2
    parts.append(element("text", title, class_="axis-title", x=middle, y=y + 38, text_anchor="middle"))
    return element("g", *parts)


def axis_left(scale: Scale, x: float, title: str, right: float, about: int = 5) -> Markup:
    """Write a vertical axis with faint lines over to ``right``."""
    parts: list[Child] = []
    for value in scale.steps(about):
        y = scale(value)
        parts.append(element("line", class_="grid", x1=x, x2=right, y1=y, y2=y))
        parts.append(element("text", short(value), class_="tick", x=x - 8, y=y + 4, text_anchor="end"))
    parts.append(element("line", class_="axis", x1=x, x2=x, y1=scale.start, y2=scale.end))
    parts.append(element("text", title, class_="axis-title", x=x, y=min(scale.start, scale.end) - 12))
    return element("g", *parts)
