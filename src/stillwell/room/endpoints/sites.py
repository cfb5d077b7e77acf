"""The first page: what needs a person, the sites on a map, and their list."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from stillwell.drawing.map import map_svg
from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import drawn, records
from stillwell.room.page import page
from stillwell.room.query_params import whole_number

SITES_A_PAGE = 200

_COUNTED = """
  SELECT site, count(*) AS gaugings, max(started_at) AS newest, count(*) FILTER (candidate) AS candidates,
    count(*) FILTER (status = 'provisional') AS provisional
  FROM gaugings GROUP BY site"""
_WITH_FINDINGS = """
  SELECT site, count(DISTINCT gauging_id) FILTER (severity = 'unusable') AS unusable,
    count(DISTINCT gauging_id) FILTER (severity = 'suspect') AS suspect
  FROM findings GROUP BY site"""


def home(view: View, request: Request) -> Response:
    """Answer with the first page."""
    sites = view.memo("sites-counted", lambda: _sites(view))
    first = whole_number(request.query_params, "page")
    shown = sites.iloc[(first - 1) * SITES_A_PAGE : first * SITES_A_PAGE]
    drawn = view.memo("map", lambda: _map(sites))
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
        links=urls.downloads("sites"),
    )


def _map(sites: pd.DataFrame) -> Markup | None:
    """Draw the sites where they lie, each a link to its page; None where no site has a place."""
    if sites.empty:
        return None
    svg = map_svg(sites.assign(href=[urls.site(code) for code in sites["site"]]))
    return None if svg is None else drawn(svg)


def _sites(view: View) -> pd.DataFrame:
    sites = view.standing("sites")
    if sites.empty:
        return sites
    sites = sites.drop_duplicates("site", keep="last").sort_values("site").reset_index(drop=True)
    for question in (_COUNTED, _WITH_FINDINGS):
        sites = sites.merge(view.ask(question).to_pandas(), on="site", how="left")
    counts = ["gaugings", "candidates", "provisional", "unusable", "suspect"]
    return sites.assign(**{name: sites[name].fillna(0).astype("int64") for name in counts})


def _attention(view: View, sites: pd.DataFrame) -> list[tuple[str, int, str]]:
    """List what needs a person: heading, count, and address of the page."""
    unfit = view.standing("checks")
    unfit = unfit[unfit["verdict"] == "unfit"] if len(unfit) else unfit
    stretches = view.standing("series_doubts")
    stretches = stretches[stretches["severity"] != "note"] if len(stretches) else stretches
    returned = view.standing("deposits")
    returned = returned[returned["gaugings_returned"] + returned["problems"] > 0] if len(returned) else returned
    counted = sites[["candidates", "unusable"]].sum() if len(sites) else {"candidates": 0, "unusable": 0}
    kinds = [
        ("Gaugings that wait beside an approved record for a review", int(counted["candidates"]), "/tables/gaugings"),
        (
            "Gaugings with a finding that makes a number unusable",
            int(counted["unusable"]),
            "/findings?severity=unusable",
        ),
        ("Checks that found a meter unfit", len(unfit), "/meters"),
        ("Suspect or unusable stretches of recorded stage", len(stretches), "/tables/series_doubts"),
        ("Deposits that were returned, in whole or in part", len(returned), "/deposits?outcome=returned"),
    ]
    return [(words, many, urls.at(path)) for words, many, path in kinds if many]
