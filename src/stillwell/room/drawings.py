"""The map of sites, the section of a gauging, the mark of a gauging, a meter's history."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.reading.render import significant
from stillwell.room import names
from stillwell.room.draw import (
    Child,
    Scale,
    around,
    axis_below,
    axis_left,
    element,
    micros,
    picture,
    round_steps,
    short,
    time_steps,
)

KM_PER_DEGREE = 111.195
MOST_LABELS = 80
APART = 26
"""Labels of the map stand this far apart, so that they can be written large on a narrow screen."""
MOST_GAUGINGS = 400
"""Gaugings drawn in one picture; of more, as many evenly spread over time."""
CROWD = 120
"""Gaugings from which on they are drawn small."""
GRAVE = ("unusable", "suspect")


def site_map(sites: pd.DataFrame) -> Markup | None:
    """Draw sites where they lie, north up, with a net of degrees and a scale; nothing else is known of the land."""
    known = sites[sites["latitude"].notna() & sites["longitude"].notna()]
    if known.empty:
        return None
    lat, lon = known["latitude"].tolist(), known["longitude"].tolist()
    if max(lon) - min(lon) > 180:
        lon = [value + 360 if value < 0 else value for value in lon]
    middle = (min(lat) + max(lat)) / 2
    squeeze = max(math.cos(math.radians(middle)), 0.05)
    high = 420.0
    tall = max(max(lat) - min(lat), (max(lon) - min(lon)) * squeeze * (high - 120) / 520, 0.02) * 1.15
    y = Scale(middle - tall / 2, middle + tall / 2, high - 50, 40)
    degree = (high - 90) / tall
    wide = 720 / degree / squeeze
    centre = (min(lon) + max(lon)) / 2 + 60 / degree / squeeze
    x = Scale(centre - wide / 2, centre + wide / 2, 0, 720)
    rows = zip(known["site"], known["name"], lat, lon, strict=True)
    places = [(str(code), str(name), x(b), y(a)) for code, name, a, b in rows]
    title = f"Map of {len(places)} sites by latitude and longitude, north up"
    return picture(
        720,
        high,
        title,
        element("rect", class_="land", width=720, height=high, rx=6),
        *_net(x, y, high),
        *_sites(places),
        _scale_bar(degree, high),
        role="group",
        class_="drawing map",
    )


def _net(x: Scale, y: Scale, high: float) -> list[Child]:
    parts: list[Child] = []
    for value in x.steps(5):
        parts.append(element("line", class_="grid", x1=x(value), x2=x(value), y1=0, y2=high - 26))
        said = f"{short(abs((value + 180) % 360 - 180))}° {'W' if (value + 180) % 360 < 180 else 'E'}"
        if 30 < x(value) < 690:
            parts.append(element("text", said, class_="tick", x=x(value), y=high - 10, text_anchor="middle"))
    for value in round_steps(y.low, y.high, 4):
        parts.append(element("line", class_="grid", x1=0, x2=720, y1=y(value), y2=y(value)))
        said = f"{short(abs(value))}° {'S' if value < 0 else 'N'}"
        parts.append(element("text", said, class_="tick", x=8, y=y(value) - 5))
    return parts


def _sites(places: list[tuple[str, str, float, float]]) -> list[Child]:
    taken: list[tuple[float, float]] = []
    parts: list[Child] = []
    for code, name, x, y in sorted(places, key=lambda place: (place[3], place[2])):
        inside: list[Child] = [
            element("title", f"{code}: {name}"),
            element("path", class_="place", d=f"M{x - 7:.1f} {y - 9:.1f}h14l-7 12z"),
        ]
        if len(places) <= MOST_LABELS:
            low = y + 2
            while any(abs(low - other) < APART and abs(x - at) < 200 for at, other in taken):
                low += APART
            taken.append((x, low))
            inside.append(element("text", _cut(code, 22), class_="place-name", x=x + 12, y=low))
        parts.append(element("a", *inside, href=names.site(code), aria_label=f"site {code}, {name}"))
    return parts


def _scale_bar(degree: float, high: float) -> Markup:
    steps = [step for step in round_steps(0, 200 * KM_PER_DEGREE / degree, 2) if step > 0]
    length = steps[0] if steps else 1.0
    wide = length / KM_PER_DEGREE * degree
    y = high - 40
    bar = element("path", class_="bar-line", d=f"M{700 - wide:.1f} {y - 4:.1f}v4h{wide:.1f}v-4")
    return element("g", bar, element("text", f"{short(length)} km", class_="tick", x=700, y=y - 8, text_anchor="end"))


def _cut(text: str, letters: int) -> str:
    return text if len(text) <= letters else text[: letters - 1] + "…"


def section(
    verticals: pd.DataFrame,
    points: pd.DataFrame,
    doubted: dict[str, str],
    banks: tuple[str, str],
    limits: Sequence[float] = (),
) -> Markup | None:
    """Draw a section as seen facing downstream or along the tag line: bed, panels by velocity, points, shares.

    Parameters
    ----------
    verticals, points : DataFrame
        Rows of one revision of one gauging.
    doubted : dict of str to str
        Gravest severity by row, as in ``vertical 7``.
    banks : (str, str)
        What stands at the least and at the greatest position.
    limits : sequence of float
        Shares, in percent, that a panel exceeds.
    """
    if verticals.empty:
        return None
    rows = verticals[verticals["position_m"].notna()].sort_values(["position_m", "order_walked"], kind="stable")
    if len(rows) < 2 or not rows["depth_m"].max() > 0:
        return None
    x = Scale(*around(rows["position_m"].tolist(), 0.02), 56, 704)
    y = Scale(0, rows["depth_m"].max() * 1.08, 44, 250)
    title = (
        f"Section with {len(rows)} verticals, {rows['position_m'].min():.2f} to {rows['position_m'].max():.2f} m along "
        f"the tag line, deepest {rows['depth_m'].max():.3f} m; the table of verticals holds the same numbers"
    )
    exaggeration = (y.end - y.start) / (y.high - y.low) / ((x.end - x.start) / (x.high - x.low))
    return picture(
        720,
        440,
        title,
        axis_left(y, 56, "", 704, 4),
        element("text", "depth, m", class_="axis-title", x=52, y=32, text_anchor="end"),
        *_panels(rows, x, y),
        _bed(rows, x, y),
        *_points(points, rows, x, y),
        *_verticals(rows, x, y, doubted),
        element("text", banks[0], class_="tick", x=58, y=12),
        element("text", banks[1], class_="tick", x=704, y=12, text_anchor="end"),
        element(
            "text",
            f"depths drawn {exaggeration:.1f} times as tall as widths",
            class_="tick",
            x=380,
            y=12,
            text_anchor="middle",
        ),
        *_shares(rows, x, doubted, limits),
        axis_below(x, 398, [(v, short(v)) for v in x.steps(8)], "position along the tag line, m", 390),
    )


def _panels(rows: pd.DataFrame, x: Scale, y: Scale) -> list[Child]:
    """Draw strips of water by velocity, down to where the ground, drawn over them, begins."""
    fastest = rows["mean_velocity_m_s"].abs().max()
    parts: list[Child] = []
    centres = _centres(rows)
    for (left, right), speed in zip(centres, rows["mean_velocity_m_s"], strict=True):
        if right > left:
            share = abs(speed) / fastest if fastest > 0 and speed == speed else 0.0
            place = {"x": x(left), "y": y(0), "width": x(right) - x(left), "height": y.end - y(0)}
            parts.append(element("rect", class_=f"water w{min(int(share * 8), 7)}", **place))
    return parts


def _centres(rows: pd.DataFrame) -> list[tuple[float, float]]:
    """Find where each vertical's own strip begins and ends: half-way to its neighbours of the same channel."""
    at, channel = rows["position_m"].tolist(), rows["channel"].fillna(0).tolist()
    out = []
    for i, position in enumerate(at):
        left = (at[i - 1] + position) / 2 if i > 0 and channel[i - 1] == channel[i] else position
        right = (at[i + 1] + position) / 2 if i + 1 < len(at) and channel[i + 1] == channel[i] else position
        out.append((left, right))
    return out


def _bed(rows: pd.DataFrame, x: Scale, y: Scale) -> Markup:
    along = [(x(p), y(d)) for p, d in zip(rows["position_m"], rows["depth_m"], strict=True)]
    line = "".join(f"{'M' if i == 0 else 'L'}{a:.1f} {b:.1f}" for i, (a, b) in enumerate(along))
    ground = f"{line}L704 {y(0):.1f}V262H56V{y(0):.1f}Z"
    return element("g", element("path", class_="ground", d=ground), element("path", class_="bed", d=line))


def _points(points: pd.DataFrame, rows: pd.DataFrame, x: Scale, y: Scale) -> list[Child]:
    if points.empty:
        return []
    known = points[points["point_depth_m"].notna() & points["velocity_m_s"].notna()]
    places = zip(known["vertical"], known["position_m"], known["point_depth_m"], known["velocity_m_s"], strict=True)
    return [
        element(
            "circle",
            element("title", f"vertical {v}: {significant(u, 3)} m/s at {significant(d, 3)} m depth"),
            class_="point",
            cx=x(p),
            cy=y(d),
            r=2.6,
        )
        for v, p, d, u in places
    ]


def _verticals(rows: pd.DataFrame, x: Scale, y: Scale, doubted: dict[str, str]) -> list[Child]:
    parts: list[Child] = []
    for number, position, depth in zip(rows["vertical"], rows["position_m"], rows["depth_m"], strict=True):
        severity = doubted.get(f"vertical {number}", "")
        at = x(position)
        if depth > 0:
            parts.append(element("line", class_="vertical", x1=at, x2=at, y1=y(0), y2=y(depth)))
        if severity in GRAVE:
            said = f"vertical {number}: {severity}"
            path = f"M{at - 5:.1f} {y(0) - 4:.1f}h10l-5-9z"
            parts.append(element("path", element("title", said), class_=f"doubt {severity}", d=path))
    return parts


def _shares(rows: pd.DataFrame, x: Scale, doubted: dict[str, str], limits: Sequence[float]) -> list[Child]:
    most = max(rows["share_pct"].max(), 1.0) if rows["share_pct"].notna().any() else 1.0
    y = Scale(0, most * 1.1, 390, 300)
    parts: list[Child] = [axis_left(y, 56, "share of the discharge, %", 704, 3)]
    for (left, right), number, share in zip(_centres(rows), rows["vertical"], rows["share_pct"], strict=True):
        if not (right > left and share > 0):
            continue
        grave = " doubted" if doubted.get(f"vertical {number}") in GRAVE else ""
        parts.append(
            element(
                "rect",
                element("title", f"vertical {number}: {share:.1f} %"),
                class_=f"share{grave}",
                x=x(left) + 0.5,
                y=y(share),
                width=max(x(right) - x(left) - 1, 0.5),
                height=y(0) - y(share),
            )
        )
    for limit in limits:
        parts.append(element("line", class_="limit", x1=56, x2=704, y1=y(limit), y2=y(limit)))
        parts.append(
            element("text", f"{short(limit)} %", class_="tick limit-name", x=702, y=y(limit) - 3, text_anchor="end")
        )
    return parts


def spread(rows: pd.DataFrame) -> pd.DataFrame:
    """Keep all gaugings where they can be drawn, else as many evenly spread, the first and the last among them."""
    if len(rows) <= MOST_GAUGINGS:
        return rows
    return rows.iloc[np.unique(np.linspace(0, len(rows) - 1, MOST_GAUGINGS).astype(np.int64))]


def size_of(count: int) -> float:
    """Return how large gaugings are drawn where there are so many."""
    return 5.0 if count <= CROWD else 3.0


def gauged(
    gauging: str,
    said: str,
    status: str,
    gravest: str,
    x: float,
    y: float,
    *beside: Child | None,
    more: str = "",
    size: float = 5.0,
) -> Markup:
    """Draw a gauging as a link: a circle, or a triangle where it is gravely doubted; filled where it is approved."""
    wide, foot, tall = 1.2 * size, 0.9 * size, 2.1 * size
    corners = f"M{x - wide:.1f} {y + foot:.1f}h{2 * wide:.1f}l{-wide:.1f}{-tall:.1f}z"
    shape = element("path", d=corners) if gravest in GRAVE else element("circle", cx=x, cy=y, r=size)
    css = " ".join(word for word in ("gauged", status, gravest, more) if word)
    inside = element("g", element("title", said), *beside, shape, class_=css)
    return element("a", inside, href=names.gauging(gauging), aria_label=said)


def history(
    times: Sequence[pd.Timestamp],
    values: Sequence[float],
    said: Sequence[str],
    title: str,
    unit: str,
    limits: Sequence[tuple[str, float]] = (),
) -> Markup | None:
    """Draw one quantity of a meter's checks over time, with lines at its limits; unlike verdicts have unlike shapes."""
    known = [(t, v, s) for t, v, s in zip(times, values, said, strict=True) if v == v and pd.notna(t)]
    if not known:
        return None
    moments = [micros(t.to_pydatetime()) for t, _, _ in known]
    room = max((max(moments) - min(moments)) // 20, 86_400_000_000)
    start, end = min(moments) - room, max(moments) + room
    x = Scale(start, end, 62, 700)
    y = Scale(*around([*(v for _, v, _ in known), *(v for _, v in limits)], 0.1, 0.05), 170, 30)
    parts: list[Child] = [
        axis_left(y, 62, f"{title}, {unit}", 700, 4),
        axis_below(x, 170, time_steps(start, end, 6), "time, UTC", 30),
    ]
    for name, value in limits:
        parts.append(element("line", class_="limit", x1=62, x2=700, y1=y(value), y2=y(value)))
        parts.append(element("text", name, class_="tick limit-name", x=698, y=y(value) - 5, text_anchor="end"))
    for t, (_, value, words) in zip(moments, known, strict=True):
        a, b = x(t), y(value)
        verdict = words.rpartition(", ")[2]
        path = (
            f"M{a - 6:.1f} {b + 4.5:.1f}h12l-6-10.5z"
            if verdict != "healthy"
            else f"M{a - 4.5:.1f} {b:.1f}a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0-9 0"
        )
        parts.append(
            element(
                "path", element("title", f"{words}: {significant(value)} {unit}"), class_=f"checked {verdict}", d=path
            )
        )
    return picture(
        720, 215, f"{title} of {len(known)} checks over time; the table of checks holds the same numbers", *parts
    )
