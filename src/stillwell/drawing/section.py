"""A cross-section to scale: bed, water, ice, verticals, points, and in each strip its share of the discharge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH, Plot, heights, lengths
from stillwell.drawing.colours import dark, ramp, shades
from stillwell.drawing.scales import Scale, plain, step_of
from stillwell.drawing.strips import Across, across, ordered, strips
from stillwell.drawing.svg import box, element, hint, line, mark, path, picture, slug, words

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

DEEPEST_PX = 250.0
"""Greatest height of the water on paper."""
STRETCHES = (1, 2, 5, 10, 20, 50, 100, 200)
"""How many times heights may be drawn larger than lengths; the drawing says which."""
TOP = 78.0
GROUND = 28.0
"""Ground drawn under the deepest place, px; the largest share is named in it."""


@dataclass(frozen=True)
class _Sheet:
    """What is drawn, and how large."""

    verticals: pd.DataFrame
    points: pd.DataFrame
    across: Across
    stretch: int
    depth: Scale
    deepest: float
    fastest: float
    low: Floats
    high: Floats
    share: Floats
    """Of the sum of all panels' magnitudes, percent; 0 where it is not known."""
    upstream: Flags
    read: Flags
    """Whether a velocity was read in the vertical, or it is still water at an edge."""

    @property
    def largest(self) -> int | None:
        """Place of the vertical with the largest share; None where nothing flows."""
        return int(np.argmax(self.share)) if self.share.size and self.share.max() > 0 else None

    def x(self, metres: Floats | float) -> Floats:
        return self.across.scale(metres)

    def colours(self, velocity: Floats) -> list[str]:
        return ramp(velocity / self.fastest)


def section_svg(
    verticals: pd.DataFrame,
    points: pd.DataFrame,
    *,
    mean_section: bool = False,
    start_bank: str | None = None,
    findings: Mapping[int, str] | None = None,
    name: str = "section",
) -> str:
    """Draw a cross-section.

    Heights are drawn a whole number of times larger than lengths, which the drawing says; under it the same section
    stands with heights and lengths alike. A strip is as wide as its panel and filled to the part that its share of the
    discharge is of the largest, the darker the larger; the largest is named. Points have the colour of their velocity.
    A strip without a point of its own has a broken edge.

    Parameters
    ----------
    verticals : DataFrame
        ``vertical``, ``order_walked``, ``position_m``, ``depth_m``, ``kind``, ``mean_velocity_m_s``, ``channel``,
        ``discharge_m3_s``, ``share_pct``.
    points : DataFrame
        ``vertical``, ``point_depth_m``, ``normal_velocity_m_s``, ``ice_underside_m``; may be empty.
    mean_section : bool
        Whether a panel lies between two verticals rather than about one.
    start_bank : str, optional
        left or right, facing downstream.
    findings : mapping of int to str, optional
        Suspect or unusable findings in words, by number of vertical.
    name : str

    Returns
    -------
    str
        An SVG element; a sentence in place of a section where there is no vertical.
    """
    rows = ordered(verticals[verticals["position_m"].notna()])
    if rows.empty:
        sentence = "No vertical was handed in, so there is no section to draw."
        return picture(name, "Cross-section", sentence, WIDTH, 60, [words(LEFT, 36, sentence)])
    sheet = _sheet(rows, points, start_bank, mean_section)
    deep = sheet.depth
    plot = Plot(sheet.across.scale, deep)
    under = Plot(
        plot.x, Scale(0.0, deep.high + GROUND / (deep.end - deep.start) * deep.high, deep.start, deep.end + GROUND)
    )
    ident = f"{slug(name)}-bed"
    parts = [
        element("defs", {}, element("clipPath", {"id": ident}, _polygon(sheet, "", sheet.depth))),
        *heights(plot, "depth, m", 5, lift=40),
        *_strips(sheet, ident),
        *_ice(sheet, ident),
        *_ground(sheet),
        *_verticals(sheet, findings or {}),
        *_points(sheet),
        *_named(sheet),
        *lengths(under, "distance along the tag line, m"),
        *_head(sheet),
        *_feet(sheet, under.foot + 66),
    ]
    foot = under.foot + 66 + _true_height(sheet) + 50
    return picture(name, "Cross-section", _described(sheet), WIDTH, foot, parts)


def _sheet(rows: pd.DataFrame, points: pd.DataFrame, start_bank: str | None, mean_section: bool) -> _Sheet:
    depth = np.nan_to_num(rows["depth_m"].to_numpy(dtype=np.float64))
    deepest = max(float(depth.max()), 0.01)
    laid = across(rows, start_bank, DEEPEST_PX / deepest)
    stretch = max(s for s in STRETCHES if s == 1 or deepest * laid.px_per_m * s <= DEEPEST_PX)
    tall = deepest * laid.px_per_m * stretch
    low, high = strips(rows, mean_section=mean_section)
    mine = points[points["vertical"].isin(set(rows["vertical"])) & points["normal_velocity_m_s"].notna()]
    speeds = np.abs(np.r_[mine["normal_velocity_m_s"].to_numpy(float), rows["mean_velocity_m_s"].to_numpy(float)])
    fastest = float(np.nanmax(speeds, initial=0.0)) if np.isfinite(speeds).any() else 0.0
    if fastest > 0:
        step = step_of(fastest, 5)
        fastest = float(np.ceil(fastest / step - 1e-9) * step)
    scale = Scale(0.0, deepest, TOP, TOP + tall)
    share = np.abs(rows["share_pct"].to_numpy(dtype=np.float64, na_value=np.nan))
    upstream = rows["discharge_m3_s"].to_numpy(dtype=np.float64, na_value=np.nan) < 0
    still = (rows["kind"] == "edge").to_numpy() & ~(np.abs(rows["mean_velocity_m_s"].to_numpy(float)) > 0)
    read = still | rows["vertical"].isin(set(mine["vertical"])).to_numpy(dtype=bool)
    sure = (low, high, np.nan_to_num(share), upstream, read)
    return _Sheet(rows, mine, laid, stretch, scale, deepest, fastest or 1.0, *sure)


def _polygon(sheet: _Sheet, css: str, depth: Scale) -> str:
    """Outline the water, from the first vertical along the bed to the last and back along the surface."""
    x = sheet.x(sheet.verticals["position_m"].to_numpy(dtype=np.float64))
    d = np.nan_to_num(sheet.verticals["depth_m"].to_numpy(dtype=np.float64))
    surface = depth.at(0.0)
    return path(np.r_[x[0], x, x[-1]], np.r_[surface, depth(d), surface], css, closed=True)


def _strips(sheet: _Sheet, clip: str) -> list[str]:
    """Draw the water, and in it each panel's share of the discharge: how much of its strip is filled, and how dark."""
    rows, share, largest = sheet.verticals, sheet.share, sheet.largest
    part = share / share[largest] if largest is not None else np.zeros(share.size)
    colours = shades(part, sheet.upstream)
    left, right = sheet.x(sheet.low), sheet.x(sheet.high)
    top, tall = sheet.depth.at(0.0), sheet.depth.at(sheet.deepest * 1.02) - sheet.depth.at(0.0)
    inside = []
    for i in np.flatnonzero(right != left):
        number, mean = rows["vertical"].iloc[i], rows["mean_velocity_m_s"].iloc[i]
        text = f"panel of vertical {number}: {share[i]:.1f} % of the discharge{', upstream' * bool(sheet.upstream[i])}"
        text += f"; mean velocity {mean:.3f} m/s" if pd.notna(mean) else ""
        text += "" if sheet.read[i] else "; no point of its own"
        css = "strip" if sheet.read[i] else "strip guess"
        inside.append(box(left[i], top, right[i] - left[i], tall, css, hint(text)))
        if part[i] > 0:
            wide = (right[i] - left[i]) * part[i]
            at = (left[i] + right[i] - wide) / 2
            inside.append(box(at, top, wide, tall, "share", hint(text), fill=colours[i], data_vertical=int(number)))
    field = element("g", {"clip_path": f"url(#{clip})", "class": "field"}, *inside) if inside else ""
    return [_polygon(sheet, "water", sheet.depth), field]


def _named(sheet: _Sheet) -> list[str]:
    """Write the largest share at its strip."""
    i = sheet.largest
    if i is None:
        return []
    at = float((sheet.x(sheet.low[i]) + sheet.x(sheet.high[i])) / 2)
    side = "end" if at > WIDTH - 240 else "middle" if at > 240 else ""
    text = f"largest share: {sheet.share[i]:.1f} %, vertical {sheet.verticals['vertical'].iloc[i]}"
    return [words(at, sheet.depth.at(sheet.deepest) + GROUND - 8, text, f"small strong largest {side}".strip())]


def _undersides(sheet: _Sheet) -> Floats:
    """Give the depth of the underside of ice at each vertical, 0 without ice."""
    if "ice_underside_m" not in sheet.points:
        return np.zeros(len(sheet.verticals))
    deepest = sheet.points.groupby("vertical")["ice_underside_m"].max()
    return sheet.verticals["vertical"].map(deepest).fillna(0.0).to_numpy(dtype=np.float64)


def _ice(sheet: _Sheet, clip: str) -> list[str]:
    under = _undersides(sheet)
    left, right = sheet.x(sheet.low), sheet.x(sheet.high)
    parts = [
        box(left[i], sheet.depth.at(0), right[i] - left[i], sheet.depth.at(under[i]) - sheet.depth.at(0), "ice",
            hint(f"ice or slush down to {under[i]:.2f} m"))
        for i in np.flatnonzero(under > 0)
    ]  # fmt: skip
    return [element("g", {"clip_path": f"url(#{clip})"}, *parts)] if parts else []


def _ground(sheet: _Sheet) -> list[str]:
    x = sheet.x(sheet.verticals["position_m"].to_numpy(dtype=np.float64))
    d = sheet.depth(np.nan_to_num(sheet.verticals["depth_m"].to_numpy(dtype=np.float64)))
    surface, foot = sheet.depth.at(0.0), sheet.depth.at(sheet.deepest) + GROUND
    bed = path(np.r_[x[0], x[0], x, x[-1], x[-1]], np.r_[foot, surface, d, surface, foot], "bed", closed=True)
    return [
        bed,
        path(np.r_[x[0], x, x[-1]], np.r_[surface, d, surface], "outline"),
        line(float(x[0]), surface, float(x[-1]), surface, "surface"),
    ]


def _verticals(sheet: _Sheet, findings: Mapping[int, str]) -> list[str]:
    rows, surface = sheet.verticals, sheet.depth.at(0.0)
    x = sheet.x(rows["position_m"].to_numpy(dtype=np.float64))
    foot = sheet.depth(np.nan_to_num(rows["depth_m"].to_numpy(dtype=np.float64)))
    every = max(1, int(np.ceil(len(rows) / 40)))
    out = []
    for i, (vertical, position, depth) in enumerate(
        zip(rows["vertical"], rows["position_m"], rows["depth_m"], strict=True)
    ):
        text = f"vertical {vertical}: at {plain(position)} m, depth {plain(depth)} m"
        out.append(line(x[i], surface, x[i], foot[i], "vertical", hint(text), data_vertical=int(vertical)))
        finding = findings.get(int(vertical))
        if finding:
            out.append(mark("triangle", x[i], surface - 28, 5.5, "s-rust", hint(f"vertical {vertical}: {finding}")))
        if i % every == 0:
            out.append(words(x[i], surface - 9, str(vertical), "small soft middle"))
    return out


def _points(sheet: _Sheet) -> list[str]:
    rows = sheet.points[sheet.points["point_depth_m"].notna()]
    where = sheet.verticals.drop_duplicates("vertical").set_index("vertical")["position_m"]
    x = sheet.x(rows["vertical"].map(where).to_numpy(dtype=np.float64))
    y = sheet.depth(rows["point_depth_m"].to_numpy(dtype=np.float64))
    velocity = rows["normal_velocity_m_s"].to_numpy(dtype=np.float64)
    colours = sheet.colours(velocity)
    facts = zip(x, y, velocity, colours, dark(colours), rows["vertical"], rows["point_depth_m"], strict=True)
    return [
        mark(
            "circle",
            a,
            b,
            4,
            "point-light" if deep else "point",
            hint(f"vertical {n}, {d:.3f} m under the surface: {v:.3f} m/s"),
            fill=colour,
        )
        for a, b, v, colour, deep, n, d in facts
    ]


def _head(sheet: _Sheet) -> list[str]:
    banks = [
        words(LEFT, 22, sheet.across.left_bank, "strong"),
        words(WIDTH - RIGHT, 22, sheet.across.right_bank, "strong end"),
    ]
    middle = "facing downstream" if sheet.across.left_bank else "which bank is which was not handed in"
    return [*banks, words(WIDTH / 2, 22, middle, "soft middle")]


def _true_height(sheet: _Sheet) -> float:
    return 0.0 if sheet.stretch == 1 else sheet.deepest * sheet.across.px_per_m + 36


def _feet(sheet: _Sheet, y: float) -> list[str]:
    """Draw the section with heights and lengths alike, then the colours."""
    text = "heights and lengths at one scale"
    out = []
    if sheet.stretch > 1:
        text = f"heights drawn {sheet.stretch} times larger than lengths"
        tall = sheet.deepest * sheet.across.px_per_m
        alike = Scale(0.0, sheet.deepest, y + 12, y + 12 + tall)
        out += [words(LEFT, y, "the same water, heights and lengths alike", "small soft")]
        out += [element("g", {"class": "alike"}, _polygon(sheet, "bar-soft", alike))]
    return [*out, words(LEFT, y - 30, text, "small strong"), *_colours(sheet, y + _true_height(sheet))]


def _colours(sheet: _Sheet, y: float) -> list[str]:
    speeds = np.r_[
        sheet.points["normal_velocity_m_s"].to_numpy(float), sheet.verticals["mean_velocity_m_s"].to_numpy(float)
    ]
    speeds, key = speeds[np.isfinite(speeds)], _share_key(sheet, y)
    if not speeds.size:
        return [*key, words(LEFT, y + 10, "no velocity was read", "small strong")]
    low = -sheet.fastest if speeds.min() < 0 else 0.0
    scale, cells = Scale(low, sheet.fastest, LEFT, LEFT + (420 if low else 280)), 42 if low else 28
    edges = np.linspace(low, sheet.fastest, cells + 1)
    out = [*key, words(LEFT, y - 4, "velocity at the points, m/s", "small strong")]
    for left, right, colour in zip(
        scale(edges[:-1]), scale(edges[1:]), sheet.colours((edges[:-1] + edges[1:]) / 2), strict=True
    ):
        out.append(box(left, y, right - left + 0.4, 12, "", fill=colour))
    out += [words(scale.at(value), y + 26, text, "small soft middle") for value, text in scale.ticks(5)]
    if low:
        out.append(words(scale.end + 14, y + 10, "below 0: upstream", "small soft"))
    return out


def _share_key(sheet: _Sheet, y: float) -> list[str]:
    """Draw the shades of shares, from none to the largest."""
    if sheet.largest is None:
        return []
    part, at = np.linspace(0.0, 1.0, 21), WIDTH - RIGHT - 252
    cells = zip(part.tolist(), shades(part, np.zeros(21, dtype=bool)), strict=True)
    out = [box(at + 240 * k, y, 12.4, 12, "", fill=colour) for k, colour in cells]
    ends = ((0.0, "0"), (1.0, f"{sheet.share[sheet.largest]:.1f}"))
    out += [words(at + 6 + 240 * k, y + 26, text, "small soft middle") for k, text in ends]
    return [words(at, y - 4, "share of the discharge, %", "small strong"), *out]


def _described(sheet: _Sheet) -> str:
    rows, points = sheet.verticals, len(sheet.points)
    wide = float(rows["position_m"].max() - rows["position_m"].min())
    speeds, i = sheet.points["normal_velocity_m_s"], sheet.largest
    share = ""
    if i is not None:
        share = f"Vertical {rows['vertical'].iloc[i]} has the largest share, {sheet.share[i]:.1f} %. "
    read = (
        f"{points} point velocities from {speeds.min():.3f} to {speeds.max():.3f} m/s"
        if points
        else "no point velocity"
    )
    return (
        f"{len(rows)} verticals over {wide:.2f} m of tag line, greatest depth {sheet.deepest:.2f} m, {read}. {share}"
        f"Heights are drawn {sheet.stretch} times the scale of lengths."
    )
