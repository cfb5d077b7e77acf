"""The map of sites, the mark of a gauging, a meter's history."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.reading.printed.text import significant
from stillwell.room import urls
from stillwell.room.drawings.elements import (
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
        parts.append(element("a", *inside, href=urls.site(code), aria_label=f"site {code}, {name}"))
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
    return element("a", inside, href=urls.gauging(gauging), aria_label=said)


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
