"""A site, and its hydrograph alone, each in the window asked for."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from stillwell.archive.disk.layout import site_folder
from stillwell.archive.netcdf.outputs import behind
from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.data.series import series_of
from stillwell.pages.data.window import AXES, Window, text_of
from stillwell.pages.ratings import policy_of, ratings_at
from stillwell.pages.site import hydrograph, site_page, site_row
from stillwell.room.page import page
from stillwell.room.query_params import BadQuestion, one_of, whole_number
from stillwell.room.windows import moves, window_of, years


def site(view: View, request: Request) -> Response:
    """Answer with a site."""
    query = request.query_params
    row = site_row(view, urls.decoded(request.path_params["site"]))
    code = row["site"]
    window = window_of(series_of(view, code), query)
    log = one_of(query, "scale") == "log"
    ratings = ratings_at(view, code)
    asked = query.get("rating", "")
    chosen = [rating for rating in ratings if not asked or rating.name == asked][-1:]
    if asked and not chosen:
        known = ", ".join(rating.name for rating in ratings) or "of this site, which has none"
        msg = f"expected one of the ratings {known}, found {asked[:80]!r}"
        raise BadQuestion(msg)
    values = site_page(view, row, window, chosen, (log,), whole_number(query, "page"))
    scale, rating = {"scale": "log"} if log else {}, {"rating": asked} if asked else {}
    folder = f"netcdf/{site_folder(code).removeprefix('site=')}/"
    return page(
        view,
        request,
        "site",
        **values,
        **_controls(request, code, window, view),
        log=log,
        choices=[(r, urls.site(code, rating=r.name, **scale)) for r in ratings],
        plain_href=urls.site(code, **rating),
        log_href=urls.site(code, scale="log", **rating),
        documents=[path for path in view.archive.listing() if path.startswith(folder)],
        late=view.memo(("behind", code), lambda: _late(view, code)),
        links=urls.downloads("gaugings", site=code),
        rating_links=urls.downloads("ratings", site=code),
        levels=[(table, urls.downloads(table, site=code)) for table in _held(view, code)],
    )


def site_hydrograph(view: View, request: Request) -> Response:
    """Answer with a site's hydrograph alone."""
    row = site_row(view, urls.decoded(request.path_params["site"]))
    window = window_of(series_of(view, row["site"]), request.query_params)
    controls = _controls(request, row["site"], window, view)
    return page(view, request, "hydrograph", site=row, **hydrograph(view, row, window), **controls)


def _late(view: View, site: str) -> set[str]:
    """Name the NetCDF files of a site that are behind."""
    return {one.path for one in behind(view.archive, policy_of(view).office, [site])}


def _held(view: View, site: str) -> list[str]:
    """Name the tables of series that hold rows of a site."""
    named = ("stage", "discharge", "daily", "gauge_heights")
    return [table for table in named if table in view.tables and view.archive.table_files(table, [site])]


def _controls(request: Request, site: str, window: Window | None, view: View) -> dict[str, Any]:
    """List the addresses of the other windows, axes and series of a hydrograph."""
    if window is None:
        return {}
    path = f"/sites/{urls.coded(site)}/hydrograph"
    span = {"from": text_of(window.start), "to": text_of(window.end)}
    shown = {} if window.start <= window.whole[0] and window.end >= window.whole[1] else span
    query = window.same() | shown
    return {
        "moves": [(text, word, urls.with_query(path, target)) for text, word, target in moves(window)],
        "year_links": [(year, urls.with_query(path, target)) for year, target in years(window)],
        "all_series": [
            (s.title, s.name, urls.with_query(path, {"series": s.name} | shown)) for s in series_of(view, site).all
        ],
        "axes": [(axis, urls.with_query(path, query | {"axis": axis})) for axis in AXES],
        "graph_path": path,
        "graph_data": urls.at(path),
        "series_json": urls.with_query(f"/sites/{urls.coded(site)}/series.json", query),
        "series_downloads": urls.downloads(
            window.series.kind.table, site=site, datetime=f"{span['from']}/{span['to']}"
        ),
    }
