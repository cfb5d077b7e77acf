"""Pages of the room: what every one knows, problem pages, and the room's own script and style."""

from __future__ import annotations

import mimetypes
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from stillwell.drawing.colours import style
from stillwell.fingerprint import sha256
from stillwell.pages.data.archive_view import View
from stillwell.pages.templating import environment, page_style
from stillwell.reading.printed.text import time_text
from stillwell.reading.trace.graph import harmless
from stillwell.reading.trace.picture import STYLE as TRACE_STYLE
from stillwell.room.query_params import NotFound

OWN_FILES = ("room.js", "mark.svg")
SECTIONS = (
    ("/", "Sites"),
    ("/findings", "Findings"),
    ("/meters", "Meters"),
    ("/ledger", "Ledger"),
    ("/deposits", "Deposits"),
    ("/tables", "Tables"),
    ("/about", "About"),
)


@cache
def templates() -> jinja2.Environment:
    """Return the templates of pages with live links, in the room's layout."""
    templates = environment("stillwell.room", linked=True)
    templates.globals |= {"sections": SECTIONS, "static": static_address}
    return templates


@cache
def own_files() -> Mapping[str, bytes]:
    """Return the room's own script, styles and mark by name."""
    folder = resources.files("stillwell.room").joinpath("static")
    return {name: folder.joinpath(name).read_bytes() for name in OWN_FILES} | {
        "room.css": page_style().encode(),
        "drawings.css": (style() + TRACE_STYLE).encode(),
    }


@cache
def static_address(name: str) -> str:
    """Return the address of an own file, which changes with its content."""
    return f"/static/{name}?{sha256(own_files()[name])[:12]}"


def static_file(request: Request) -> Response:
    """Answer with one of the room's own files, which are looked up by name."""
    name = request.path_params["name"]
    if name not in own_files():
        msg = f"The reading room has no file {name!r} of its own."
        raise NotFound(msg)
    media = mimetypes.guess_type(name)[0] or "application/octet-stream"
    return Response(own_files()[name], media_type=media, headers={"cache-control": "max-age=3600"})


def page(view: View, request: Request, template: str, **values: Any) -> HTMLResponse:
    """Make a page of an archive.

    Parameters
    ----------
    view : View
    request : Request
    template : str
        Name of the template without its ending.
    **values
        Variables of the template.
    """
    common = {
        "view": view,
        "path": request.url.path,
        "archive_name": view.archive.root.resolve().name,
        "head": view.number,
        "head_at": view.head.recorded_at if view.head else None,
        "query": dict(request.query_params),
        "then": view.as_of,
        "then_text": "" if view.as_of is None else time_text(view.as_of),
    }
    return HTMLResponse(templates().get_template(f"{template}.html").render(common | values))


def problem_page(request: Request, status: int, heading: str, words: str) -> HTMLResponse:
    """Make the page that says what went wrong; it needs no archive."""
    values: dict[str, Any] = {
        "path": "",
        "archive_name": "",
        "head": None,
        "head_at": None,
        "then": None,
        "then_text": "",
        "query": {},
        "heading": heading,
        "words": harmless(words),
        "status": status,
    }
    return HTMLResponse(templates().get_template("problem.html").render(values), status)
