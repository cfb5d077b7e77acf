"""Colours of all drawings and pages, ours: safe for colour-blind eyes, never the only sign, light and dark."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LIGHT = {
    "paper": "#ffffff",
    "ink": "#1d2b32",
    "soft": "#56666f",
    "rule": "#b9c4ca",
    "grid": "#e6ebee",
    "river": "#0f5f80",
    "ochre": "#a8540a",
    "plum": "#7b3a76",
    "stone": "#5d6b4a",
    "rust": "#8c2f1b",
    "bed": "#d9cdb8",
    "haze": "#cfe2ea",
    "ice": "#eef3f6",
}
DARK = {
    "paper": "#161e23",
    "ink": "#e7edf0",
    "soft": "#a9b6bd",
    "rule": "#52616a",
    "grid": "#2a353c",
    "river": "#74c1de",
    "ochre": "#eaa560",
    "plum": "#d7a3d2",
    "stone": "#b5c39c",
    "rust": "#f09a83",
    "bed": "#5b5140",
    "haze": "#284654",
    "ice": "#3b474f",
}
"""By name: on a light and on a dark page. Blue against ochre holds for every kind of colour-blindness."""

SERIES = ("river", "ochre", "plum", "stone")
"""Colours of several series in one drawing; each series has a shape of its own too."""

DOWNSTREAM = ("#f2f4e6", "#c5dfcf", "#8fc4c6", "#5aa3bd", "#3079a6", "#1f5088")
UPSTREAM = ("#f2f4e6", "#f3cfa3", "#d98c46", "#b0600f", "#8a4610")
"""From still water on: velocity downstream darkens towards blue, upstream towards brown."""


SHARE = ("#dfe7e3", "#b3c8bf", "#7fa396", "#4f7d6e", "#2f5b4e")
"""From no share of the discharge to the largest; green, so that it is no velocity."""


def shades(part: Floats, upstream: NDArray[np.bool_]) -> list[str]:
    """Colour shares of the discharge, 0 to 1 of the largest: green, and brown where water runs upstream."""
    levels = np.where(upstream[:, None], _between(UPSTREAM, part), _between(SHARE, part))
    return _written(levels)


def ramp(share: Floats) -> list[str]:
    """Colour velocities.

    Parameters
    ----------
    share : float array
        Velocity over the greatest shown, -1 to 1; negative runs upstream.

    Returns
    -------
    list of str
        ``#rrggbb``; grey where missing.
    """
    known = np.clip(np.nan_to_num(share), -1.0, 1.0)
    down, up = (_between(stops, np.abs(known)) for stops in (DOWNSTREAM, UPSTREAM))
    levels = np.where((known >= 0)[:, None], down, up)
    levels[np.isnan(share)] = 160.0
    return _written(levels)


def _written(levels: Floats) -> list[str]:
    return ["#" + "".join(f"{level:02x}" for level in row) for row in np.rint(levels).astype(np.int64).tolist()]


def dark(colours: list[str]) -> list[bool]:
    """Say which colours a light line shows better on."""
    levels = ((int(c[1:3], 16), int(c[3:5], 16), int(c[5:7], 16)) for c in colours)
    return [0.2126 * r + 0.7152 * g + 0.0722 * b < 125 for r, g, b in levels]


def _between(stops: tuple[str, ...], share: Floats) -> Floats:
    table = np.array([[int(stop[i : i + 2], 16) for i in (1, 3, 5)] for stop in stops], dtype=np.float64)
    at = np.linspace(0.0, 1.0, len(stops))
    return np.column_stack([np.interp(share, at, table[:, i]) for i in range(3)])


def variables(colours: dict[str, str]) -> str:
    """Write colours as variables of a style sheet."""
    return "".join(f"--{name}:{value};" for name, value in colours.items())


def style() -> str:
    """Write the style sheet of all drawings; it touches nothing outside them."""
    series = "".join(
        f".drawing .s-{name}{{fill:var(--{name});stroke:var(--{name})}}"
        f".drawing .l-{name}{{fill:none;stroke:var(--{name})}}"
        f".drawing .t-{name}{{fill:var(--{name})}}"
        f".drawing .o-{name}{{fill:var(--paper);stroke:var(--{name});stroke-width:1.6}}"
        for name in (*SERIES, "rust")
    )
    return (
        f".drawing{{{variables(LIGHT)}}}"
        f"@media screen and (prefers-color-scheme:dark){{.drawing{{{variables(DARK)}}}}}"
        ".drawing text{font-family:system-ui,-apple-system,'Segoe UI',Roboto,'Noto Sans','DejaVu Sans',sans-serif;"
        "font-size:14px;fill:var(--ink)}"
        ".drawing .paper{fill:var(--paper)}.drawing .small{font-size:12.5px}.drawing .soft{fill:var(--soft)}"
        ".drawing .strong{font-weight:600}.drawing .end{text-anchor:end}.drawing .middle{text-anchor:middle}"
        ".drawing .halo{paint-order:stroke;stroke:var(--paper);stroke-width:3px;stroke-linejoin:round}"
        ".drawing .grid{stroke:var(--grid);stroke-width:1}.drawing .axis{stroke:var(--rule);stroke-width:1;fill:none}"
        ".drawing .zero{stroke:var(--soft);stroke-width:1}"
        ".drawing .limit{stroke:var(--rust);stroke-width:1.4;stroke-dasharray:7 4;fill:none}"
        ".drawing .wish{stroke:var(--ochre);stroke-width:1.4;stroke-dasharray:2 3;fill:none}"
        ".drawing .curve{stroke:var(--river);stroke-width:2;fill:none;stroke-linejoin:round}"
        ".drawing .fine{stroke:var(--river);stroke-width:1.1;fill:none;stroke-linejoin:round}"
        ".drawing .beyond{stroke:var(--river);stroke-width:2;fill:none;stroke-dasharray:6 5}"
        ".drawing .band{fill:var(--haze);stroke:none;opacity:.75}"
        ".drawing .bed{fill:var(--bed);stroke:none}.drawing .outline{fill:none;stroke:var(--ink);stroke-width:1.6}"
        ".drawing .surface{stroke:var(--river);stroke-width:1.6}.drawing .water{fill:var(--haze)}"
        ".drawing .vertical{stroke:#12222b;stroke-width:.9;opacity:.6}"
        ".drawing .under{stroke:var(--paper);stroke-width:4}"
        ".drawing .ice{fill:var(--ice);stroke:var(--rule)}"
        ".drawing .strip{fill:none;stroke:var(--paper);stroke-width:.5}.drawing .share{stroke:none}"
        ".drawing .guess{stroke:var(--ochre);stroke-dasharray:3 2;"
        "stroke-width:1.4}"
        ".drawing .point{stroke:#12222b;stroke-width:1.3}"
        ".drawing .point-light{stroke:#fff;stroke-width:1.5}.drawing .bar{fill:var(--river)}"
        ".drawing .stripe{fill:var(--ochre)}"
        ".drawing .bar-soft{fill:var(--haze);stroke:var(--river);stroke-width:1}"
        ".drawing .whisker{stroke:var(--ink);stroke-width:1.2;fill:none}"
        ".drawing .open{fill:var(--paper);stroke:var(--ink);stroke-width:1.3}"
        ".drawing .full{fill:var(--ink);stroke:var(--ink);stroke-width:1}"
        ".drawing .this{fill:var(--ochre);stroke:var(--ink);stroke-width:1.4}"
        ".drawing .struck{fill:none;stroke:var(--soft);stroke-width:1.4}.drawing .crossed{stroke-width:2.6}"
        ".drawing .faint{opacity:.4}"
        ".drawing .dots{fill:none;stroke:var(--river);stroke-width:5;stroke-linecap:round}"
        ".drawing .land{fill:var(--paper);stroke:var(--rule)}.drawing .place{fill:var(--river);stroke:var(--ink)}"
        ".drawing .picked{fill:var(--plum);opacity:.25}"
        ".drawing a:focus-visible{outline:3px solid var(--plum);outline-offset:2px}"
        f"{series}"
    )
