"""The gaugings of a site for its drawings: as marks that are links, on a rating, in the window of a hydrograph."""

from __future__ import annotations

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.drawing.gaugings import evenly_spread
from stillwell.drawing.rating import rating_svg
from stillwell.hydrometry.rating.which_rating_holds import Rated
from stillwell.reporting.rating_plot import marked_gaugings
from stillwell.reporting.ratings import shown_rating
from stillwell.room import urls
from stillwell.room.data.archive_view import View
from stillwell.room.data.policy_and_ratings import policy_of
from stillwell.room.data.window import Window
from stillwell.room.pages.page import embedded

NO_GAUGINGS = pd.DataFrame(
    {
        name: pd.Series(dtype=kind)
        for name, kind in {
            "gauging_id": "str", "time_us": "int64", "stage_m": "float64", "discharge_m3_s": "float64",
            "uncertainty": "float64", "label": "str", "role": "str", "approved": "bool", "hint": "str", "href": "str",
        }.items()
    }
)  # fmt: skip


def stage_discharge(
    view: View, site: str, gaugings: pd.DataFrame, rating: Rated | None, *, log: bool = False
) -> Markup | None:
    """Draw a site's gaugings on one of its ratings; those made while another held are faint."""
    if gaugings.empty and rating is None:
        return None
    rows = marked(view, site, gaugings)
    if rating is None:
        possible = rows["stage_m"].notna() & rows["discharge_m3_s"].notna()
        if log:
            possible &= (rows["stage_m"] > 0) & (rows["discharge_m3_s"] > 0)
        return embedded(rating_svg(rows, log=log)) if possible.any() else None
    if len(gaugings):
        rows = rows.assign(faint=~rating.holds_at(gaugings["started_at"]).to_numpy(dtype=bool))
    shown = shown_rating(rating, rows["stage_m"].to_numpy(), policy_of(view))
    return embedded(rating_svg(rows, shown.line, log=log, zero_m=shown.zero_m))


def marked(view: View, site: str, gaugings: pd.DataFrame) -> pd.DataFrame:
    """Lay the gaugings of a site out for drawing, each with the address of its page."""
    if gaugings.empty:
        return NO_GAUGINGS
    rows = marked_gaugings(gaugings, view.standing("findings", site), view.standing("reviews"))
    return rows.assign(href=[urls.gauging(name) for name in rows["gauging_id"]])


def gaugings_in(window: Window, rows: pd.DataFrame) -> pd.DataFrame:
    """Select the gaugings in a window that have the quantity drawn, with it as ``value``."""
    height = window.series.unit == "m"
    rows = rows.assign(value=rows["stage_m" if height else "discharge_m3_s"])
    if height:
        rows = rows.assign(uncertainty=np.nan)
    inside = (rows["time_us"] >= window.start) & (rows["time_us"] < window.end) & rows["value"].notna()
    return rows[inside & (rows["value"] > 0)] if window.axis == "log" else rows[inside]


def count_gaugings(gaugings: pd.DataFrame) -> str:
    """Count the gaugings of a window by their review, in words."""
    if gaugings.empty:
        return "No gauging lies in it."
    approved = int(gaugings["approved"].sum())
    counts = ((approved, "approved"), (len(gaugings) - approved, "provisional"))
    parts = [f"{count} {word}" for count, word in counts if count]
    drawn = len(evenly_spread(gaugings))
    fewer = "" if drawn == len(gaugings) else f" {drawn} of them are drawn, evenly spread; look closer for all."
    return f"{len(gaugings)} gauging{'s' if len(gaugings) != 1 else ''} on it: {', '.join(parts)}.{fewer}"
