"""A site: hydrograph, rating, gaugings, what needs attention, what acts on its record; and the hydrograph alone."""

from __future__ import annotations

from datetime import datetime, timezone
from typing import Any

import pandas as pd
from starlette.requests import Request
from starlette.responses import Response

from stillwell.archive.disk.layout import site_folder
from stillwell.archive.netcdf.outputs import behind
from stillwell.drawing.gaugings import MOST_GAUGINGS
from stillwell.drawing.hydrograph import hydrograph_svg, in_words
from stillwell.reading.rating.findings import findings_of_rating
from stillwell.reading.rating.site_ratings import departures
from stillwell.room import urls
from stillwell.room.api import site_row
from stillwell.room.data.archive_view import View
from stillwell.room.data.policy_and_ratings import policy_of, ratings_at
from stillwell.room.data.rows import records
from stillwell.room.data.series import series_of
from stillwell.room.data.window import AXES, Window, moment, moves, text_of, window_of, years
from stillwell.room.pages.page import download_links, embedded, page, severest
from stillwell.room.pages.site_drawings import count_gaugings, gaugings_in, marked, stage_discharge
from stillwell.room.query_params import BadQuestion, one_of, whole_number

GAUGINGS_A_PAGE = 200
MOST_SHIFTS = 40
DAY = 86_400_000_000
"""Microseconds."""
DECIDED = ("conditions", "corrections", "series_doubts")


def site_page(view: View, request: Request) -> Response:
    """Answer with a site."""
    site = site_row(view, urls.decoded(request.path_params["site"]))
    code = site["site"]
    gaugings = view.memo(("site-gaugings", code), lambda: _gaugings(view, code))
    first = whole_number(request.query_params, "page")
    newest_first = gaugings.iloc[::-1] if len(gaugings) else gaugings
    shown = newest_first.iloc[(first - 1) * GAUGINGS_A_PAGE : first * GAUGINGS_A_PAGE]
    folder = f"netcdf/{site_folder(code).removeprefix('site=')}/"
    decided = {table: records(view.standing(table, code)) for table in DECIDED}
    return page(
        view,
        request,
        "site",
        site=site,
        gaugings=records(shown),
        many=len(gaugings),
        number=first,
        pages=max(-(-len(gaugings) // GAUGINGS_A_PAGE), 1),
        grouped=_by_code(view.standing("findings", code)),
        waiting=records(gaugings[gaugings["candidate"].fillna(False)]) if len(gaugings) else [],
        suspect_series=[row for row in decided["series_doubts"] if row["severity"] != "note"],
        datums=records(view.standing("datums", code)),
        documents=[path for path in view.archive.listing() if path.startswith(folder)],
        late=view.memo(("behind", code), lambda: _late(view, code)),
        links=download_links("gaugings", site=code),
        levels=[(table, download_links(table, site=code)) for table in _held(view, code)],
        **decided,
        **_rating(view, request, code, gaugings),
        **_hydrograph(view, request, site, gaugings),
    )


def _late(view: View, site: str) -> set[str]:
    """Name the NetCDF files of a site that are behind."""
    return {one.path for one in behind(view.archive, policy_of(view).office, [site])}


def hydrograph_page(view: View, request: Request) -> Response:
    """Answer with a site's hydrograph alone, in the window asked for."""
    site = site_row(view, urls.decoded(request.path_params["site"]))
    gaugings = view.memo(("site-gaugings", site["site"]), lambda: _gaugings(view, site["site"]))
    return page(view, request, "hydrograph", site=site, **_hydrograph(view, request, site, gaugings))


def _held(view: View, site: str) -> list[str]:
    """Name the tables of series that hold rows of a site."""
    named = ("stage", "discharge", "daily", "gauge_heights")
    return [table for table in named if table in view.tables and view.archive.table_files(table, [site])]


def _rating(view: View, request: Request, site: str, gaugings: pd.DataFrame) -> dict[str, Any]:
    log = one_of(request.query_params, "scale") == "log"
    ratings = ratings_at(view, site)
    asked = request.query_params.get("rating", "")
    chosen = next((r for r in reversed(ratings) if not asked or r.name == asked), None)
    if asked and chosen is None:
        known = ", ".join(r.name for r in ratings) or "of this site, which has none"
        msg = f"expected one of the ratings {known}, found {asked[:80]!r}"
        raise BadQuestion(msg)
    drawn = view.memo(
        ("stage-discharge", site, asked, log),
        lambda: stage_discharge(view, site, gaugings, chosen, log=log),
    )
    scale = {"scale": "log"} if log else {}
    rating = {} if not asked else {"rating": asked}
    policy_pct = policy_of(view).value("rating_uncertainty_pct")
    return {
        "log": log,
        "scatter": drawn,
        "rated": chosen,
        "segments": records(chosen.segments) if chosen else [],
        "shifts": records(chosen.shifts) if chosen else [],
        "ratings": [(r, urls.site(site, rating=r.name, **scale)) for r in ratings],
        "plain_href": urls.site(site, **rating),
        "log_href": urls.site(site, scale="log", **rating),
        "rating_pct": 2 * policy_pct,
        "rating_findings": ()
        if chosen is None
        else findings_of_rating(chosen.force.curve, chosen.row.get("gaugings"), gaugings, policy_of(view)),
        "most_shifts": MOST_SHIFTS,
        "most_drawn": MOST_GAUGINGS,
        "rating_links": {
            "ratings": download_links("ratings", site=site),
            "rating_segments": download_links("rating_segments", rating=chosen.name),
            "shifts": download_links("shifts", rating=chosen.name),
        }
        if chosen
        else {},
    }


def _hydrograph(view: View, request: Request, row: dict[str, Any], gaugings: pd.DataFrame) -> dict[str, Any]:
    site = row["site"]
    of_site = series_of(view, site)
    window = window_of(of_site, request.query_params)
    if window is None:
        return {"window": None}
    path = f"/sites/{urls.coded(site)}/hydrograph"
    span = {"from": text_of(window.start), "to": text_of(window.end)}
    shown = {} if window.start <= window.whole[0] and window.end >= window.whole[1] else span
    query = window.same() | shown
    rows = gaugings_in(window, marked(view, site, gaugings))
    return {
        "window": window,
        "shown_from": text_of(window.start)[:10],
        "shown_to": text_of(window.end + DAY - 1)[:10],
        "picked": window.thinned,
        "on_it": count_gaugings(rows),
        "graph": embedded(hydrograph_svg(window, rows, log=window.axis == "log")),
        "peak": _peak(row, window),
        "marks": [in_words(mark) for mark, _ in window.marks],
        "moves": [(text, word, urls.with_query(path, target)) for text, word, target in moves(window)],
        "years": [(year, urls.with_query(path, target)) for year, target in years(window)],
        "all_series": [(s.title, s.name, urls.with_query(path, {"series": s.name} | shown)) for s in of_site.all],
        "axes": [(axis, urls.with_query(path, query | {"axis": axis})) for axis in AXES],
        "path": request.url.path,
        "graph_path": path,
        "graph_data": urls.at(path),
        "series_json": urls.with_query(f"/sites/{urls.coded(site)}/series.json", query),
        "series_downloads": download_links(
            window.series.kind.table, site=site, datetime=f"{span['from']}/{span['to']}"
        ),
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


def _gaugings(view: View, site: str) -> pd.DataFrame:
    """Read the standing gaugings of a site, in order of time, with the greatest severity of each one's findings.

    ``departure_pct`` says how far each lies from the rating in force at its start.
    """
    gaugings = view.standing("gaugings", site)
    if gaugings.empty:
        return gaugings
    findings = view.standing("findings", site)
    worst = severest(findings, "gauging_id")
    counts = findings["gauging_id"].value_counts() if len(findings) else pd.Series(dtype="int64")
    return gaugings.assign(
        severest=gaugings["gauging_id"].map(worst).fillna(""),
        findings=gaugings["gauging_id"].map(counts).fillna(0).astype("int64"),
        departure_pct=departures(gaugings, ratings_at(view, site)),
    ).sort_values("started_at", kind="stable")


def _by_code(findings: pd.DataFrame) -> list[dict[str, Any]]:
    """Count the suspect and unusable findings of a site by code."""
    questioned = findings[findings["severity"] != "note"] if len(findings) else findings
    if questioned.empty:
        return []
    counted = (
        questioned.groupby(["severity", "code"])
        .agg(gaugings=("gauging_id", "nunique"), rows=("code", "size"))
        .reset_index()
    )
    counted = counted.assign(_g=counted["severity"] != "unusable").sort_values(
        ["_g", "gaugings"], ascending=[True, False]
    )
    return records(counted)
