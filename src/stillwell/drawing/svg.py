"""The elements of SVG that drawings are made of. Every text is escaped here and nowhere else."""

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
    written = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{number(value) if isinstance(value, float) else escaped(str(value))}"'
        for name, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{written}>{''.join(children)}</{tag}>" if children else f"<{tag}{written}/>"


def words(x: float, y: float, text: str, css: str = "label", **more: object) -> str:
    """Write a text at a place; the classes ``end`` and ``middle`` anchor it there."""
    return element("text", {"class": css, "x": float(x), "y": float(y), **more}, escaped(text))


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


def hint(text: str) -> str:
    """Write the tooltip of an element, which a screen reader may read too."""
    return f"<title>{escaped(text)}</title>"


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


def link(href: str, label: str, *children: str) -> str:
    """Make elements one link; the label is what a screen reader says of it."""
    return element("a", {"href": href, "aria_label": label}, *children)


def picture(
    name: str,
    title: str,
    described: str,
    width: float,
    height: float,
    parts: Iterable[str],
    *,
    css: str = "",
    sheet: str = "",
    **more: object,
) -> str:
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
    css : str
        Further classes of the whole.
    sheet : str
        Style of what only this drawing has.
    **more
        Further attributes of the whole.

    Returns
    -------
    str
        An SVG element that is complete by itself; a group where it has links, else an image.
    """
    ident = slug(name)
    inner = "\n".join(part for part in parts if part)
    attributes = {
        "xmlns": "http://www.w3.org/2000/svg",
        "class": f"drawing {css}".strip(),
        "viewBox": f"0 0 {number(width)} {number(height)}",
        "width": float(width),
        "height": float(height),
        "role": "group" if "<a " in inner else "img",
        "aria_labelledby": f"{ident}-title {ident}-desc",
    }
    return (
        element(
            "svg",
            attributes | more,
            f'\n<title id="{ident}-title">{escaped(title)}</title>\n',
            f'<desc id="{ident}-desc">{escaped(described)}</desc>\n<style>{style()}{sheet}</style>\n',
            f'<rect class="paper" width="{number(width)}" height="{number(height)}"/>\n{inner}\n',
        )
        + "\n"
    )


def without_style(svg: str) -> str:
    """Take the style sheet out of a drawing, for a page that holds it once for all."""
    return _STYLE.sub("", svg)
