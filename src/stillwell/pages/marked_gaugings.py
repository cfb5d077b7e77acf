"""The gaugings of a site on its drawings: their marks, on a rating, in the window of a hydrograph."""

from __future__ import annotations

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.drawing.gaugings import evenly_spread
from stillwell.drawing.rating import rating_svg
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s
from stillwell.hydrometry.rating.which_rating_holds import Rated
from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.data.window import Window
from stillwell.pages.formats import drawn
from stillwell.pages.ratings import policy_of, shown_rating
from stillwell.reading.printed.text import significant

NO_GAUGINGS = pd.DataFrame(
    {
        name: pd.Series(dtype=kind)
        for name, kind in {
            "gauging_id": "str", "time_us": "int64", "stage_m": "float64", "discharge_m3_s": "float64",
            "uncertainty": "float64", "label": "str", "role": "str", "approved": "bool", "hint": "str", "href": "str",
        }.items()
    }
)  # fmt: skip


def marked(view: View, gaugings: pd.DataFrame, this: str | None = None) -> pd.DataFrame:
    """Lay gaugings of one site out for drawing, each with the address of its page where there are links."""
    if gaugings.empty:
        return NO_GAUGINGS
    site = str(gaugings["site"].iloc[0])
    rows = marked_gaugings(gaugings, view.standing("findings", site), view.standing("reviews"), this)
    return rows.assign(href=[urls.gauging(name) if view.linked else "" for name in rows["gauging_id"]])


def marked_gaugings(
    gaugings: pd.DataFrame, findings: pd.DataFrame, reviews: pd.DataFrame, this: str | None = None
) -> pd.DataFrame:
    """Lay gaugings out for drawing.

    Parameters
    ----------
    gaugings : DataFrame
        Rows of ``gaugings`` that stand; ``departure_pct``, their distance from the rating in force, is optional.
    findings : DataFrame
        Rows of ``findings`` that stand.
    reviews : DataFrame
        Rows of ``reviews`` that stand.
    this : str, optional
        Id of the gauging that is asked about.

    Returns
    -------
    DataFrame
        ``gauging_id``, ``time_us``, ``stage_m``, ``discharge_m3_s``, ``uncertainty`` (expanded, m³/s), ``label`` (its
        date), ``role``, ``approved`` and ``hint``, as ``drawing.gaugings.gauging_marks`` asks for them.
    """
    questioned = set(findings.loc[findings["severity"] != "note", "gauging_id"]) if len(findings) else set()
    suspect = gaugings["gauging_id"].isin(questioned).to_numpy(dtype=bool)
    role = np.select(
        [gaugings["gauging_id"] == this, kept_out(gaugings, findings, reviews), suspect],
        ["this", "out", "suspect"],
        "other",
    )
    rows = pd.DataFrame(
        {
            "gauging_id": gaugings["gauging_id"].to_numpy(),
            "time_us": microseconds(gaugings["started_at"]),
            "stage_m": gaugings["gauge_height_m"].to_numpy(dtype=np.float64),
            "discharge_m3_s": gaugings["discharge_m3_s"].to_numpy(dtype=np.float64),
            "uncertainty": expanded_m3_s(gaugings),
            "label": gaugings["started_at"].dt.strftime("%Y-%m-%d").to_numpy(),
            "role": role,
            "approved": (gaugings["status"] == "approved").to_numpy(),
        }
    )
    return rows.assign(hint=_hints(rows, gaugings))


_ROLES = {"out": ", kept out of ratings", "suspect": ", with a suspect finding"}


def _hints(rows: pd.DataFrame, gaugings: pd.DataFrame) -> list[str]:
    """Write the numbers of each gauging in words."""
    away = gaugings.get("departure_pct", pd.Series(np.nan, index=gaugings.index))
    columns = (rows[c] for c in ("gauging_id", "discharge_m3_s", "uncertainty", "stage_m", "role"))
    out = []
    for name, q, u, h, role, status, off in zip(*columns, gaugings["status"], away, strict=True):
        flow = "without a discharge" if pd.isna(q) else f"{significant(q)}{_plus_minus(u)} m³/s"
        stage = "" if pd.isna(h) else f" at {significant(h)} m"
        from_rating = "" if pd.isna(off) else f", {off:+.1f} % from the rating in force"
        out.append(f"gauging {name}: {flow}{stage}, {status}{from_rating}{_ROLES.get(role, '')}")
    return out


def _plus_minus(half: float) -> str:
    return f" ± {significant(half, 2)}" if np.isfinite(half) else ""


def kept_out(gaugings: pd.DataFrame, findings: pd.DataFrame, reviews: pd.DataFrame) -> np.ndarray:
    """Return which gaugings stay out of ratings: an unusable finding or an estimate, unless a review decided."""
    unusable = set(findings.loc[findings["severity"] == "unusable", "gauging_id"]) if len(findings) else set()
    out = gaugings["gauging_id"].isin(unusable) | (gaugings["method"] == "estimated")
    if reviews.empty:
        return np.asarray(out, dtype=bool)
    decided = reviews[reviews["decision"].isin(("included", "excluded"))].sort_values("decided_at", kind="stable")
    last = decided.drop_duplicates("subject", keep="last").set_index("subject")["decision"]
    decision = gaugings["gauging_id"].map(last)
    return np.asarray((out & (decision != "included")) | (decision == "excluded"), dtype=bool)


def stage_discharge(view: View, rows: pd.DataFrame, rating: Rated | None, *, log: bool = False) -> Markup | None:
    """Draw marked gaugings on a rating, those made while another held faint; None where there is nothing to draw."""
    name = "rating-log" if log else "rating"
    if rating is None:
        possible = rows["stage_m"].notna() & rows["discharge_m3_s"].notna()
        if log:
            possible &= (rows["stage_m"] > 0) & (rows["discharge_m3_s"] > 0)
        return drawn(rating_svg(rows, log=log, name=name)) if possible.any() else None
    if len(rows):
        started = pd.to_datetime(rows["time_us"], unit="us", utc=True)
        rows = rows.assign(faint=~rating.holds_at(started).to_numpy(dtype=bool))
    shown = shown_rating(rating, rows["stage_m"].to_numpy(), policy_of(view))
    return drawn(rating_svg(rows, shown.line, log=log, zero_m=shown.zero_m, name=name))


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
