"""The meters with the newest verdict on each; and one of them."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import records
from stillwell.pages.meter import meter_page
from stillwell.room.page import page


def meters(view: View, request: Request) -> Response:
    """Answer with the meters and the newest verdict on each."""
    return page(
        view,
        request,
        "meters",
        meters=view.memo("meters", lambda: _meters(view)),
        links=urls.downloads("instruments"),
        check_downloads=urls.downloads("checks"),
    )


def _meters(view: View) -> list[dict[str, Any]]:
    instruments, checks = view.standing("instruments"), view.standing("checks")
    codes = set(instruments["instrument"]) if len(instruments) else set()
    codes |= set(checks["instrument"]) if len(checks) else set()
    counted = view.ask(
        "SELECT instrument, count(*) AS n, max(started_at) AS newest FROM gaugings GROUP BY 1"
    ).to_pylist()
    used = {row["instrument"]: row for row in counted if row["instrument"] is not None}
    described = {row["instrument"]: row for row in records(instruments)}
    checked = {row["instrument"]: row for row in records(checks.sort_values("checked_at"))} if len(checks) else {}
    return [
        {"instrument": code, "register": described.get(code), "check": checked.get(code), "used": used.get(code)}
        for code in sorted(codes | set(used))
    ]


def meter(view: View, request: Request) -> Response:
    """Answer with a meter."""
    return page(view, request, "meter", **meter_page(view, urls.decoded(request.path_params["meter"])))
