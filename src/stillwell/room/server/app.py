"""The application: routes, and problem pages for errors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from stillwell.errors import ArchiveDamaged, ArchiveError, NotAnArchive, QueryError, Withheld
from stillwell.pages import urls
from stillwell.pages.data.archive_view import ArchiveViews, View
from stillwell.room import api, downloads
from stillwell.room.endpoints import findings as pages_findings
from stillwell.room.endpoints import gauging, sealed_bytes, site, sites, trace
from stillwell.room.endpoints import ledger as pages_ledger
from stillwell.room.endpoints import meters as pages_meters
from stillwell.room.endpoints import search as pages_search
from stillwell.room.endpoints import tables as pages_tables
from stillwell.room.page import problem_page, static_file
from stillwell.room.query_params import ITEMS, ROWS, TRACE, WINDOW, BadQuestion, NotFound, instant, refuse_unknown
from stillwell.room.server.guard import Guard, allowed_hosts

Answer = Callable[[View, Request], Response]

PAGES: tuple[tuple[str, Answer, tuple[str, ...]], ...] = (
    ("/", sites.home, ("page",)),
    ("/sites/{site}", site.site, ("page", "rating", "scale", *WINDOW)),
    ("/sites/{site}/hydrograph", site.site_hydrograph, WINDOW),
    ("/sites/{site}/series.json", api.series_json, WINDOW),
    ("/gaugings/{gauging}", gauging.gauging, ("revision",)),
    ("/meters", pages_meters.meters, ()),
    ("/meters/{meter}", pages_meters.meter, ()),
    ("/findings", pages_findings.findings, ("code", "severity", "site", "since", "page")),
    ("/ledger", pages_ledger.ledger, ("page",)),
    ("/ledger/{number}", pages_ledger.entry_page, ()),
    ("/deposits", pages_ledger.deposits, ("outcome", "page")),
    ("/deposits/{digest}", pages_ledger.deposit_page, ()),
    ("/bytes", sealed_bytes.lines_page, ("deposit", "file", "lines")),
    ("/bytes/raw", sealed_bytes.raw, ("deposit", "number")),
    ("/trace", trace.trace_page, TRACE),
    ("/trace.json", api.trace_json, TRACE),
    ("/search", pages_search.search, ("q",)),
    ("/tables", pages_tables.tables, ()),
    ("/tables/{table}", pages_tables.table_page, ("page",)),
    ("/about", pages_tables.about, ()),
    ("/download/{name}", downloads.download, ROWS),
    ("/openapi.json", api.openapi, ()),
    ("/collections", api.collections, ()),
    ("/collections/{collection}", api.collection, ()),
    ("/collections/{collection}/items", api.items, ITEMS),
)
"""Routes, all GET: each address, its endpoint, and the parameters it reads beside ``as_of``."""

PATHS_WITH_SLASHES: tuple[tuple[str, Answer, tuple[str, ...]], ...] = (
    ("/files/{path:path}", pages_ledger.listed_file, ()),
)

STATUS: tuple[tuple[type[Exception], int, str], ...] = (
    (NotFound, 404, "Not in this archive"),
    (BadQuestion, 400, "The question cannot be understood"),
    (QueryError, 404, "Not in this archive"),
    (Withheld, 410, "Withheld by a decision"),
    (NotAnArchive, 503, "No archive here"),
    (ArchiveDamaged, 503, "Not as it was written"),
    (ArchiveError, 503, "The archive cannot answer"),
    (OSError, 503, "The disk cannot answer"),
)
"""What goes wrong, how it is answered, and under which heading; the first that fits."""
AUDIT = "`stillwell audit` names everything that is wrong; nothing was changed by looking."


def make_application(archive_path: Path, host: str, port: int, names: Sequence[str] = ()) -> Starlette:
    """Make the application; the arguments are those of ``stillwell.room.application``."""
    views = ArchiveViews(archive_path)
    routes = [
        Route(path, answering(views, answer, known), methods=["GET"])
        for path, answer, known in (*PAGES, *PATHS_WITH_SLASHES)
    ]
    routes.append(Route("/static/{name}", static_file, methods=["GET"]))
    handlers = {kind: _answer_to(views, status, heading) for kind, status, heading in reversed(STATUS)}
    return Starlette(
        routes=routes,
        middleware=[Middleware(Guard, hosts=allowed_hosts(host, port, names))],
        exception_handlers={
            HTTPException: _answer_to(views, 404, "No such page"),
            Exception: _answer_to_any(views),
            **handlers,
        },
    )


def answering(views: ArchiveViews, answer: Answer, known: Sequence[str] = ()) -> Callable[[Request], Response]:
    """Turn a function of a view and a request into an endpoint that always sees the newest commit."""

    def endpoint(request: Request) -> Response:
        refuse_unknown(request.query_params, (*known, urls.AS_OF))
        moment = instant(request.query_params, urls.AS_OF)
        view = views.view(moment)
        if request.headers.get("if-none-match") == view.tag:
            return Response(status_code=304, headers={"etag": view.tag})
        # every link of a page about an earlier moment leads to that moment; requests run in contexts of their own
        urls.stay_at(view.as_of)
        try:
            response = answer(view, request)
        except ArchiveDamaged:
            # a file may have been replaced by a commit made while this answer was under way
            newer = views.view(moment)
            if newer is view:
                raise
            view, response = newer, answer(newer, request)
        response.headers.setdefault("etag", view.tag)
        return response

    return endpoint


def _answer_to(views: ArchiveViews, status: int, heading: str) -> Callable[[Request, Exception], Response]:
    def tell(request: Request, error: Exception) -> Response:
        code = error.status_code if isinstance(error, HTTPException) else status
        if isinstance(error, HTTPException):
            words = f"The reading room has no page at {request.url.path!r}." if code == 404 else str(error.detail)
        elif isinstance(error, OSError):
            words = f"A file of the archive could not be read: {error.strerror or type(error).__name__}. {AUDIT}"
        else:
            words = str(error) + (f" {AUDIT}" if code == 503 else "")
        return _problem(request, code, heading, words)

    return tell


def _answer_to_any(views: ArchiveViews) -> Callable[[Request, Exception], Response]:
    def tell(request: Request, error: Exception) -> Response:
        words = f"Something in the reading room itself went wrong ({type(error).__name__}). Nothing was changed."
        return _problem(request, 500, "A fault of the reading room", words)

    return tell


def _problem(request: Request, status: int, heading: str, words: str) -> Response:
    path = request.url.path
    if path.startswith("/collections") or path.endswith(".json"):
        document = {"type": "about:blank", "title": heading, "status": status, "detail": words}
        return JSONResponse(document, status, media_type="application/problem+json")
    return problem_page(request, status, heading, words)
