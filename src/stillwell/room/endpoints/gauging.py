"""A gauging: the revision that stands, or the one asked for."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.gauging import gauging_page
from stillwell.room.page import page
from stillwell.room.query_params import whole_number


def gauging(view: View, request: Request) -> Response:
    """Answer with a gauging."""
    code = urls.decoded(request.path_params["gauging"])
    return page(view, request, "gauging", **gauging_page(view, code, whole_number(request.query_params, "revision")))
