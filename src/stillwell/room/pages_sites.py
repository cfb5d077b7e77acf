"""The first page with the sites on a map, a site's page, and its hydrograph."""

from __future__ import annotations

from typing import Any

import pandas as pd
from starlette.requests import Request
from starlette.responses import Response

from stillwell.archive.layout import site_folder
from stillwell.room import drawings, hydrograph, names
from stillwell.room.api import site_row
from stillwell.room.asked import one_of, whole_number
from stillwell.room.page import download_links, gravest, page
from stillwell.room.rows import records
from stillwell.room.series import series_of
from stillwell.room.shelf import View

SITES_A_PAGE = 200
GAUGINGS_A_PAGE = 200

_COUNTED = """
  SELECT site, count(*) AS gaugings, max(started_at) AS newest, count(*) FILTER (candidate) AS candidates,
    count(*) FILTER (status = 'provisional') AS provisional
  FROM gaugings GROUP BY site"""
_DOUBTED = """
  SELECT site, count(DISTINCT gauging_id) FILTER (severity = 'unusable') AS unusable,
    count(DISTINCT gauging_id) FILTER (severity = 'suspect') AS suspect
  FROM findings GROUP BY site"""


def home(view: View, request: Request) -> Response:
    """Answer with the first page."""
    sites = view.memo("sites-counted", lambda: _sites(view))
    first = whole_number(request.query_params, "page", 1, 1, 10**6)
    shown = sites.iloc[(first - 1) * SITES_A_PAGE : first * SITES_A_PAGE]
    drawn = view.memo("map", lambda: drawings.site_map(sites) if len(sites) else None)
    return page(
        view,
        request,
        "home",
        sites=records(shown),
        many=len(sites),
        number=first,
        pages=max(-(-len(sites) // SITES_A_PAGE), 1),
        drawn=drawn,
        attention=view.memo("attention", lambda: _attention(view, sites)),
        links=download_links("sites"),
    )


def _sites(view: View) -> pd.DataFrame:
    sites = view.standing("sites")
    if sites.empty:
        return sites
    sites = sites.drop_duplicates("site", keep="last").sort_values("site").reset_index(drop=True)
    for question in (_COUNTED, _DOUBTED):
        sites = sites.merge(view.ask(question).to_pandas(), on="site", how="left")
    counts = ["gaugings", "candidates", "provisional", "unusable", "suspect"]
    return sites.assign(**{name: sites[name].fillna(0).astype("int64") for name in counts})


def _attention(view: View, sites: pd.DataFrame) -> list[tuple[str, int, str]]:
    """Say what needs a person: how many of what, and where to read on."""
    unfit = view.standing("checks")
    unfit = unfit[unfit["verdict"] == "unfit"] if len(unfit) else unfit
    returned = view.standing("deposits")
    returned = returned[returned["gaugings_returned"] + returned["problems"] > 0] if len(returned) else returned
    counted = sites[["candidates", "unusable"]].sum() if len(sites) else {"candidates": 0, "unusable": 0}
    said = [
        ("Gaugings that wait beside an approved record for a review", int(counted["candidates"]), "/tables/gaugings"),
        (
            "Gaugings with a finding that makes a number unusable",
            int(counted["unusable"]),
            "/findings?severity=unusable",
        ),
        ("Checks that found a meter unfit", len(unfit), "/meters"),
        ("Deposits that were returned, in whole or in part", len(returned), "/deposits?outcome=returned"),
    ]
    return [line for line in said if line[1]]


def site_page(view: View, request: Request) -> Response:
    """Answer with a site."""
    site = site_row(view, names.decoded(request.path_params["site"]))
    code = site["site"]
    gaugings = view.memo(("site-gaugings", code), lambda: _gaugings(view, code))
    first = whole_number(request.query_params, "page", 1, 1, 10**6)
    log = one_of(request.query_params, "scale", ("linear", "log"), "linear") == "log"
    newest_first = gaugings.iloc[::-1] if len(gaugings) else gaugings
    shown = newest_first.iloc[(first - 1) * GAUGINGS_A_PAGE : first * GAUGINGS_A_PAGE]
    findings = view.standing("findings", code)
    datums = view.standing("datums", code)
    folder = f"netcdf/{site_folder(code).removeprefix('site=')}/"
    return page(
        view,
        request,
        "site",
        site=site,
        gaugings=records(shown),
        many=len(gaugings),
        number=first,
        log=log,
        pages=max(-(-len(gaugings) // GAUGINGS_A_PAGE), 1),
        scatter=drawings.stage_discharge(gaugings, log) if len(gaugings) else None,
        doubts=_doubts(findings),
        waiting=records(gaugings[gaugings["candidate"].fillna(False)]) if len(gaugings) else [],
        datums=records(datums),
        documents=[path for path in view.archive.listing() if path.startswith(folder)],
        links=download_links("gaugings", site=code),
        levels=download_links("gauge_heights", site=code),
        **_hydrograph(view, request, code, gaugings),
    )


def hydrograph_page(view: View, request: Request) -> Response:
    """Answer with a site's hydrograph alone, in the window asked for."""
    site = site_row(view, names.decoded(request.path_params["site"]))
    gaugings = view.memo(("site-gaugings", site["site"]), lambda: _gaugings(view, site["site"]))
    return page(view, request, "hydrograph", site=site, **_hydrograph(view, request, site["site"], gaugings))


def _hydrograph(view: View, request: Request, site: str, gaugings: pd.DataFrame) -> dict[str, Any]:
    of_site = series_of(view, site)
    window = hydrograph.window_of(of_site, request.query_params)
    if window is None:
        return {"window": None}
    path = f"/sites/{names.coded(site)}/hydrograph"
    span = f"{hydrograph.text_of(window.start)}/{hydrograph.text_of(window.end)}"
    return {
        "window": window,
        "shown_from": hydrograph.text_of(window.start)[:10],
        "shown_to": hydrograph.text_of(window.end - 1)[:10],
        "picked": window.picked(),
        "graph": hydrograph.hydrograph(window, gaugings),
        "moves": [(said, word, names.with_query(path, query)) for said, word, query in hydrograph.moves(window)],
        "years": [(said, names.with_query(path, query)) for said, query in hydrograph.years(window)],
        "all_series": [(s.title, s.name, names.with_query(path, {"series": s.name})) for s in of_site.all],
        "path": request.url.path,
        "graph_path": path,
        "series_downloads": download_links(window.series.kind.table, site=site, datetime=span),
    }


def _gaugings(view: View, site: str) -> pd.DataFrame:
    """Read the standing gaugings of a site, in order of time, with the gravest severity of each one's findings."""
    gaugings = view.standing("gaugings", site)
    if gaugings.empty:
        return gaugings
    findings = view.standing("findings", site)
    worst = gravest(findings, "gauging_id")
    counts = findings["gauging_id"].value_counts() if len(findings) else pd.Series(dtype="int64")
    return gaugings.assign(
        gravest=gaugings["gauging_id"].map(worst).fillna(""),
        findings=gaugings["gauging_id"].map(counts).fillna(0).astype("int64"),
    ).sort_values("started_at", kind="stable")


def _doubts(findings: pd.DataFrame) -> list[dict[str, Any]]:
    """Count the graver findings of a site by code."""
    grave = findings[findings["severity"] != "note"] if len(findings) else findings
    if grave.empty:
        return []
    counted = (
        grave.groupby(["severity", "code"]).agg(gaugings=("gauging_id", "nunique"), rows=("code", "size")).reset_index()
    )
    counted = counted.assign(_g=counted["severity"] != "unusable").sort_values(
        ["_g", "gaugings"], ascending=[True, False]
    )
    return records(counted)
