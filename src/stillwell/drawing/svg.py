"""The few pieces of SVG that drawings are made of. Every text is escaped here and nowhere else."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from stillwell.drawing.colours import style

Floats = NDArray[np.float64]

_SLUG = re.compile(r"[^a-z0-9]+")
_STYLE = re.compile(r"<style>.*?</style>\n?", re.DOTALL)
_SPECIAL = {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"}


def escaped(words: str) -> str:
    """Escape a text for content and for attributes; what is no printable character becomes a visible escape."""
    return "".join(_SPECIAL.get(c, c if c.isprintable() else f"\\u{ord(c):04x}") for c in words)


def number(value: float) -> str:
    """Write a coordinate to a hundredth of a pixel, without useless zeros."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def element(tag: str, attributes: Mapping[str, object], *children: str) -> str:
    """Write an element; an attribute that is None is left out, ``_`` in a name becomes ``-``, floats become pixels."""
    said = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{number(value) if isinstance(value, float) else escaped(str(value))}"'
        for name, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{said}>{''.join(children)}</{tag}>" if children else f"<{tag}{said}/>"


def words(x: float, y: float, said: str, css: str = "label", **more: object) -> str:
    """Write a text at a place; ``anchor`` in CSS classes ``end`` and ``middle``."""
    return element("text", {"class": css, "x": float(x), "y": float(y), **more}, escaped(said))


def line(x1: float, y1: float, x2: float, y2: float, css: str, *children: str, **more: object) -> str:
    """Draw a straight line."""
    places = {"x1": float(x1), "y1": float(y1), "x2": float(x2), "y2": float(y2)}
    return element("line", {"class": css, **places, **more}, *children)


def box(x: float, y: float, width: float, height: float, css: str, *children: str, **more: object) -> str:
    """Draw a rectangle; a negative width or height is turned round."""
    x, width = (x + width, -width) if width < 0 else (x, width)
    y, height = (y + height, -height) if height < 0 else (y, height)
    places = {"x": float(x), "y": float(y), "width": float(width), "height": float(height)}
    return element("rect", {"class": css, **places, **more}, *children)


def hint(said: str) -> str:
    """Write what a pointer that rests on an element is shown, and a screen reader may read."""
    return f"<title>{escaped(said)}</title>"


def path(x: Floats, y: Floats, css: str, *children: str, closed: bool = False, **more: object) -> str:
    """Draw a line through points, broken where one is missing; empty where none is left."""
    known = np.isfinite(x) & np.isfinite(y)
    if not known.any():
        return ""
    starts = known & ~np.r_[False, known[:-1]]
    rows = zip(x[known].tolist(), y[known].tolist(), starts[known].tolist(), strict=True)
    steps = "".join(f"{'M' if start else 'L'}{number(a)} {number(b)}" for a, b, start in rows)
    return element("path", {"class": css, "d": steps + ("Z" if closed else ""), **more}, *children)


def area(x: Floats, low: Floats, high: Floats, css: str, *children: str) -> str:
    """Fill between two lines, run by run of what is known."""
    known = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
    edges = np.flatnonzero(np.diff(np.r_[False, known, False]))
    steps = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        rows = slice(int(first), int(last))
        xs, ys = np.r_[x[rows], x[rows][::-1]], np.r_[low[rows], high[rows][::-1]]
        inner = "L".join(f"{number(a)} {number(b)}" for a, b in zip(xs.tolist(), ys.tolist(), strict=True))
        steps.append(f"M{inner}Z")
    return element("path", {"class": css, "d": "".join(steps)}, *children) if steps else ""


SHAPES = ("circle", "square", "triangle", "diamond", "cross")


def mark(shape: str, x: float, y: float, size: float, css: str, *children: str, **more: object) -> str:
    """Draw a mark about a place: circle, square, triangle, diamond or cross."""
    x, y = float(x), float(y)
    if shape == "circle":
        return element("circle", {"class": css, "cx": x, "cy": y, "r": float(size), **more}, *children)
    corners = {
        "square": ((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)),
        "triangle": ((0, -1.15), (1.1, 0.85), (-1.1, 0.85)),
        "diamond": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
        "cross": ((-1, -1), (1, 1), (0, 0), (1, -1), (-1, 1), (0, 0)),
    }[shape]
    places = "L".join(f"{number(x + size * a)} {number(y + size * b)}" for a, b in corners)
    return element("path", {"class": css, "d": f"M{places}Z", **more}, *children)


def slug(name: str) -> str:
    """Make a name fit for an id."""
    return _SLUG.sub("-", name.lower()).strip("-") or "drawing"


def picture(name: str, title: str, described: str, width: float, height: float, parts: Iterable[str]) -> str:
    """Put a drawing together.

    Parameters
    ----------
    name : str
        Of which the ids are made; each drawing of one page needs its own.
    title, described : str
        What it is, and what it shows, for those who cannot see it.
    width, height : float
        px.
    parts : iterable of str

    Returns
    -------
    str
        An SVG element that is complete by itself.
    """
    ident = slug(name)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="drawing" viewBox="0 0 {number(width)} {number(height)}" '
        f'width="{number(width)}" height="{number(height)}" role="img" '
        f'aria-labelledby="{ident}-title {ident}-desc">'
    )
    inner = "\n".join(part for part in parts if part)
    return (
        f'{head}\n<title id="{ident}-title">{escaped(title)}</title>\n<desc id="{ident}-desc">{escaped(described)}'
        f'</desc>\n<style>{style()}</style>\n<rect class="paper" width="{number(width)}" height="{number(height)}"/>\n'
        f"{inner}\n</svg>\n"
    )


def without_style(svg: str) -> str:
    """Take the style sheet out of a drawing, for a page that holds it once for all."""
    return _STYLE.sub("", svg)


def in_scope(svg: str, scope: str) -> str:
    """Give a drawing another class than all drawings have, for a page with a style of its own for these."""
    return svg.replace('class="drawing"', f'class="{scope}"', 1)
