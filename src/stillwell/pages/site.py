"""The page of a site: hydrograph, ratings, gaugings, what needs attention, years, what acts on its record."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timezone
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.drawing.duration import duration_svg
from stillwell.drawing.gaugings import MOST_GAUGINGS
from stillwell.drawing.hydrograph import hydrograph_svg, in_words
from stillwell.drawing.hydrograph import whole_window as window_around
from stillwell.drawing.window import Series
from stillwell.errors import QueryError
from stillwell.hydrometry.rating.which_rating_holds import Rated
from stillwell.hydrometry.record.totals import flow_duration, water_year
from stillwell.pages import urls
from stillwell.pages.attention import attention
from stillwell.pages.data.archive_view import View
from stillwell.pages.data.series import series_of
from stillwell.pages.data.window import Window, moment, text_of
from stillwell.pages.formats import drawn, records
from stillwell.pages.marked_gaugings import count_gaugings, gaugings_in, marked, stage_discharge
from stillwell.pages.ratings import policy_of, shown_rating
from stillwell.pages.site_gaugings import register_row, site_gaugings
from stillwell.pages.wording import counts_by_code
from stillwell.reading.printed.show import GRAVITY
from stillwell.reading.rating.findings import findings_of_rating

GAUGINGS_A_PAGE = 300
MOST_SHIFTS = 40
DAY = 86_400_000_000
"""Microseconds."""
FACTS = (
    ("River", "river"), ("Horizontal datum", "horizontal_datum"), ("Standard time, from UTC", "utc_offset"),
    ("Water year starts in month", "water_year_start_month"), ("Owner", "owner"), ("Licence", "licence"),
    ("Who may read", "access"), ("Continues", "continues"),
)  # fmt: skip
DECIDED = ("conditions", "corrections", "series_doubts")


def site_row(view: View, code: str) -> dict[str, Any]:
    """Find a site in the register, or else by its gaugings.

    Raises
    ------
    QueryError
        If neither knows it.
    """
    row = register_row(view, code)
    if row is not None:
        return row | {"registered": True}
    if site_gaugings(view, code).empty:
        register = view.standing("sites")
        names = ", ".join(sorted(register["site"].unique())[:20] if len(register) else []) or "none"
        msg = f"expected a site this archive knows, found {code!r}; its register names {names}"
        raise QueryError(msg)
    bare = dict.fromkeys(("name", "latitude", "longitude", "catchment_km2", *(column for _, column in FACTS)))
    return bare | {"site": code, "registered": False}


def site_page(
    view: View,
    site: dict[str, Any],
    window: Window | None,
    ratings: Sequence[Rated],
    axes: Sequence[bool],
    page: int = 1,
) -> dict[str, Any]:
    """Return what the page of a site shows.

    Parameters
    ----------
    view : View
    site : dict
        From ``site_row``.
    window : Window or None
        Of the series that is drawn.
    ratings : sequence of Rated
        Those shown; the first is drawn.
    axes : sequence of bool
        Draw gauge height against discharge by ratio, each.
    page : int
        Of the list of gaugings, newest first.
    """
    code = site["site"]
    gaugings = site_gaugings(view, code)
    findings = view.standing("findings", code)
    newest_first = gaugings.iloc[::-1]
    shown = newest_first.iloc[(page - 1) * GAUGINGS_A_PAGE : page * GAUGINGS_A_PAGE]
    datums = view.standing("datums", code)
    decided = {table: records(view.standing(table, code)) for table in DECIDED}
    return {
        "site": site,
        "facts": [(label, site[column]) for label, column in FACTS if site.get(column) is not None],
        "gaugings": records(shown),
        "many": len(gaugings),
        "number": page,
        "pages": max(-(-len(gaugings) // GAUGINGS_A_PAGE), 1),
        "attention": attention(view, gaugings, findings, code),
        "grouped": _by_code(findings),
        "suspect_series": [row for row in decided["series_doubts"] if row["severity"] != "note"],
        "datums": records(datums.sort_values("valid_from", kind="stable") if len(datums) else datums),
        **decided,
        **_ratings(view, code, ratings, axes),
        **hydrograph(view, site, window),
        "over_time": _over_time(view, code, gaugings),
        **view.memo(("days", code), lambda: _days(view, site)),
    }


def _ratings(view: View, site: str, ratings: Sequence[Rated], axes: Sequence[bool]) -> dict[str, Any]:
    gaugings = site_gaugings(view, site)
    drawn_rating = ratings[0] if ratings else None
    scatters = [_scatter(view, site, gaugings, drawn_rating, log) for log in axes]
    return {
        "scatters": [scatter for scatter in scatters if scatter is not None],
        "rated": drawn_rating,
        "ratings": [_rating(view, rating, gaugings) for rating in ratings],
        "most_shifts": MOST_SHIFTS,
        "most_drawn": MOST_GAUGINGS,
    }


def _scatter(view: View, site: str, gaugings: pd.DataFrame, rating: Rated | None, log: bool) -> Markup | None:
    return view.memo(
        ("stage-discharge", site, rating.name if rating else "", log),
        lambda: stage_discharge(view, marked(view, gaugings), rating, log=log),
    )


def _rating(view: View, rated: Rated, gaugings: pd.DataFrame) -> dict[str, Any]:
    policy = policy_of(view)
    heights = gaugings["gauge_height_m"].to_numpy(dtype=np.float64) if len(gaugings) else np.zeros(0)
    shown = shown_rating(rated, heights, policy)
    return {
        "name": rated.name,
        "since": rated.since,
        "until": rated.until,
        "row": rated.row,
        "gauged": shown.gauged,
        "office_pct": shown.office_pct,
        "segments": records(rated.segments),
        "shifts": records(rated.shifts),
        "findings": findings_of_rating(rated.force.curve, rated.row.get("gaugings"), gaugings, policy),
        "links": {
            "rating_segments": urls.downloads("rating_segments", rating=rated.name),
            "shifts": urls.downloads("shifts", rating=rated.name),
        },
    }


def hydrograph(view: View, site: dict[str, Any], window: Window | None) -> dict[str, Any]:
    """Return what a page shows of a window of a series."""
    if window is None:
        return {"window": None}
    rows = gaugings_in(window, marked(view, site_gaugings(view, site["site"])))
    return {
        "window": window,
        "shown_from": text_of(window.start)[:10],
        "shown_to": text_of(window.end + DAY - 1)[:10],
        "picked": window.thinned,
        "on_it": count_gaugings(rows),
        "graph": drawn(hydrograph_svg(window, rows, log=window.axis == "log")),
        "peak": _peak(site, window),
        "marks": [in_words(mark) for mark, _ in window.marks],
    }


def _peak(site: dict[str, Any], window: Window) -> dict[str, Any] | None:
    """Say of the greatest value of a window when it was, how sure it is, how it came about, and where its trace is."""
    place, series = window.greatest(), window.series
    if place is None:
        return None
    at = moment(int(series.times[place]))
    text, subject = f"{at:%Y-%m-%d %H:%M}", ""
    if series.kind.table == "discharge":
        subject = f"{site['site']}@{at.isoformat().replace('+00:00', 'Z')}"
    elif series.kind.table == "daily":
        text = f"{at.astimezone(_offset(site)):%Y-%m-%d}"
        subject = f"{site['site']}/{text}"
    marks = [] if series.codes is None else ((*series.marks, "")[series.codes[place]]).split("; ")
    return {
        "value": float(series.values[place]),
        "half": None if series.half is None else float(series.half[place]),
        "at": text,
        "marks": [in_words(mark) for mark in marks if mark],
        "trace": urls.trace(subject, "back") if subject else "",
    }


def _offset(site: dict[str, Any]) -> timezone:
    """Return the fixed offset from UTC in which the days of a site are counted."""
    return datetime.strptime(f"{site['utc_offset']}", "%z").tzinfo  # type: ignore[return-value]


def _over_time(view: View, site: str, gaugings: pd.DataFrame) -> Markup | None:
    """Draw the gaugings alone where the site has no record of discharge."""
    if gaugings.empty or any(series.kind.table in ("discharge", "daily") for series in series_of(view, site).all):
        return None
    rows = marked(view, gaugings)
    rows = rows.assign(value=rows["discharge_m3_s"])
    none = np.zeros(0, dtype=np.int64)
    alone = Series(title="Discharge", unit="m³/s", times=none, values=none.astype(np.float64), step=0.0)
    return drawn(hydrograph_svg(window_around(alone, rows["time_us"].to_numpy()), rows, name="gaugings-over-time"))


def _days(view: View, site: dict[str, Any]) -> dict[str, Any]:
    """Draw flow duration and sum up water years, from daily means."""
    rows = view.standing("daily", site["site"])
    if rows.empty:
        return {"duration": None, "years": [], "start_month": None}
    start = int(site.get("water_year_start_month") or 1)
    groups = rows.assign(year=water_year(pd.to_datetime(rows["day"]), start)).groupby("year")
    years = groups.agg(
        days=("mean_m3_s", "count"),
        mean=("mean_m3_s", "mean"),
        least=("minimum_m3_s", "min"),
        most=("maximum_m3_s", "max"),
    )
    duration = duration_svg(flow_duration(rows["mean_m3_s"].to_numpy(dtype=np.float64)))
    return {"duration": drawn(duration), "years": records(years.reset_index()), "start_month": start}


def _by_code(findings: pd.DataFrame) -> list[dict[str, Any]]:
    """Count the suspect and unusable findings of a site by code, those of the most gaugings first."""
    questioned = findings[findings["severity"] != "note"] if len(findings) else findings
    by_gaugings = counts_by_code(questioned).sort_values("gaugings", ascending=False, kind="stable")
    return records(by_gaugings.sort_values("severity", key=lambda words: words.map(GRAVITY), kind="stable"))
