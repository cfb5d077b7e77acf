"""A map of sites: where they lie, north up, with a net of degrees and a scale; nothing else is known of the land."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from stillwell.drawing.labels import shortened
from stillwell.drawing.scales import Scale, plain, step_of
from stillwell.drawing.svg import box, element, hint, line, link, mark, path, picture, words

KM_PER_DEGREE = 111.195
WIDE, HIGH = 720.0, 420.0
MOST_LABELS = 80
APART = 26
"""Labels stand this far apart, so that they can be written large on a narrow screen."""


def map_svg(sites: pd.DataFrame, name: str = "map") -> str | None:
    """Draw sites where they lie.

    Parameters
    ----------
    sites : DataFrame
        ``site``, ``name``, ``latitude``, ``longitude`` (degrees), ``href``.
    name : str

    Returns
    -------
    str or None
        None where no site has a place.
    """
    known = sites.dropna(subset=["latitude", "longitude"])
    if known.empty:
        return None
    lat, lon = (known[c].to_numpy(dtype=np.float64) for c in ("latitude", "longitude"))
    if lon.max() - lon.min() > 180:
        # sites on both sides of the date line
        lon = np.where(lon < 0, lon + 360, lon)
    middle = (lat.min() + lat.max()) / 2
    squeeze = max(math.cos(math.radians(middle)), 0.05)
    tall = max(np.ptp(lat), np.ptp(lon) * squeeze * (HIGH - 120) / 520, 0.02) * 1.15
    y = Scale(middle - tall / 2, middle + tall / 2, HIGH - 50, 40)
    degree = (HIGH - 90) / tall
    wide = WIDE / degree / squeeze
    # to the right of the middle, so that names written beside the places have room
    centre = (lon.min() + lon.max()) / 2 + 60 / degree / squeeze
    x = Scale(centre - wide / 2, centre + wide / 2, 0, WIDE)
    rows = known.assign(_x=x(lon), _y=y(lat)).sort_values(["_y", "_x"], kind="stable")
    parts = [box(0, 0, WIDE, HIGH, "land", rx=6), *_net(x, y), *_sites(rows), *_scale_bar(degree)]
    title = f"Map of {len(rows)} sites by latitude and longitude, north up"
    described = f"From {lat.min():.3f} to {lat.max():.3f} degrees north, {lon.min():.3f} to {lon.max():.3f} east."
    return picture(name, title, described, WIDE, HIGH, parts, css="map")


def _net(x: Scale, y: Scale) -> list[str]:
    parts = []
    for value, _ in x.ticks(5):
        at, east = x.at(value), (value + 180) % 360 - 180
        parts.append(line(at, 0, at, HIGH - 26, "grid"))
        if 30 < at < WIDE - 30:
            text = f"{plain(abs(east))}° {'W' if east < 0 else 'E'}"
            parts.append(words(at, HIGH - 10, text, "small soft middle"))
    for value, _ in y.ticks(4):
        at = y.at(value)
        parts.append(line(0, at, WIDE, at, "grid"))
        parts.append(words(8, at - 5, f"{plain(abs(value))}° {'S' if value < 0 else 'N'}", "small soft"))
    return parts


def _sites(rows: pd.DataFrame) -> list[str]:
    """Draw each site as a link; its name stands beside it, lower where another name is in the way."""
    taken: list[tuple[float, float]] = []
    parts = []
    for code, name, href, x, y in zip(rows["site"], rows["name"], rows["href"], rows["_x"], rows["_y"], strict=True):
        inside = [hint(f"{code}: {name}"), mark("triangle", x, y, 6.5, "place")]
        if len(rows) <= MOST_LABELS:
            low = float(y) + 2
            while any(abs(low - other) < APART and abs(x - at) < 200 for at, other in taken):
                low += APART
            taken.append((float(x), low))
            inside.append(words(x + 12, low, shortened(str(code)), "strong halo"))
        parts.append(link(str(href), f"site {code}, {name}", element("g", {}, *inside)))
    return parts


def _scale_bar(degree: float) -> list[str]:
    length = step_of(200 * KM_PER_DEGREE / degree, 2)
    wide, y = length / KM_PER_DEGREE * degree, HIGH - 40
    ends = np.array([WIDE - 20 - wide, WIDE - 20])
    bar = path(np.repeat(ends, 2), np.array([y - 4, y, y, y - 4]), "outline")
    return [bar, words(WIDE - 20, y - 8, f"{plain(length)} km", "small soft end")]
