"""Findings across the archive, narrowed by code, severity, site and date."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.room.page import page
from stillwell.room.query_params import instant, whole_number
from stillwell.room.rows import select, wanted

A_PAGE = 100
_COUNTED = """
  SELECT code, severity, count(*) AS findings, count(DISTINCT gauging_id) AS gaugings
  FROM findings GROUP BY code, severity
  ORDER BY CASE severity WHEN 'unusable' THEN 0 WHEN 'suspect' THEN 1 ELSE 2 END, gaugings DESC, code"""


def findings(view: View, request: Request) -> Response:
    """Answer with findings."""
    asked = request.query_params
    query = {name: asked.get(name, "") for name in ("code", "severity", "site")}
    since = instant(asked, "since")
    filters = query | {"datetime": f"{moment_text(since)}/.." if since else ""}
    first = whole_number(asked, "page")
    counted: list[dict[str, Any]] = view.memo("findings-counted", lambda: view.ask(_COUNTED).to_pylist())
    rows, count = select(view, wanted(view, "findings", filters), A_PAGE, (first - 1) * A_PAGE)
    kept = {name: value for name, value in (query | {"since": moment_text(since)}).items() if value}
    return page(
        view,
        request,
        "findings",
        rows=rows.to_pylist(),
        count=count,
        number=first,
        pages=max(-(-count // A_PAGE), 1),
        counted=counted,
        codes=sorted({row["code"] for row in counted}),
        sites=sorted(view.standing("sites")["site"].unique()),
        chosen=query | {"since": moment_text(since)},
        kept=kept,
        links=urls.downloads("findings", **filters),
        here=urls.with_query("/findings", kept),
    )


def moment_text(at: datetime | None) -> str:
    """Write a moment for a form's field."""
    return "" if at is None else at.strftime("%Y-%m-%d")
