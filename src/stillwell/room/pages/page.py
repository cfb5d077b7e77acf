"""Pages from templates: what every page knows, how values are written, and the room's own script and style."""

from __future__ import annotations

import mimetypes
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib import resources
from typing import Any

import jinja2
import pandas as pd
from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from stillwell import __version__
from stillwell.drawing.colours import style
from stillwell.drawing.svg import without_style
from stillwell.fingerprint import sha256
from stillwell.number_words import within
from stillwell.reading.printed.show import CAUTION, GRAVITY
from stillwell.reading.printed.text import significant, time_text
from stillwell.reading.trace.graph import harmless
from stillwell.reading.trace.picture import STYLE as TRACE_STYLE
from stillwell.room import urls
from stillwell.room.data.archive_view import View
from stillwell.room.query_params import NotFound

NONE = Markup('<span class="none">none</span>')
PARTS = ("downloads", "severity", "pager", "scroller", "stay", "plural")
OWN_FILES = ("room.css", "room.js", "mark.svg")
DRAWING_STYLE = "drawings.css"
"""The style sheet of all drawings, written from the one place that holds their colours."""
SECTIONS = (
    ("/", "Sites"),
    ("/findings", "Findings"),
    ("/meters", "Meters"),
    ("/ledger", "Ledger"),
    ("/deposits", "Deposits"),
    ("/tables", "Tables"),
    ("/about", "About"),
)


def label(value: Any) -> Markup:
    """Write what somebody else wrote: escaped, on one line, marks of direction made visible, set apart."""
    if value is None or value is pd.NA or value != value or value == "":
        return NONE
    return Markup("<bdi>{}</bdi>").format(harmless(str(value)))


def number(value: Any, digits: int = 4) -> Markup:
    """Write a number rounded for the eye, the whole of it as a title."""
    if value is None or value is pd.NA or value != value:
        return NONE
    if isinstance(value, (bool, int)):
        return escape(str(value))
    return Markup('<span title="{}">{}</span>').format(repr(float(value)), significant(float(value), digits))


def given(value: Any) -> Markup:
    """Write a number that was handed in, without digits it did not have."""
    if value is None or value is pd.NA or value != value:
        return NONE
    return Markup('<span title="{}">{}</span>').format(repr(float(value)), f"{float(value):.7g}")


def signed(value: Any) -> Markup:
    """Write a departure in percent with its sign, to a tenth."""
    if value is None or value is pd.NA or value != value:
        return NONE
    return Markup('<span title="{}">{}</span>').format(repr(float(value)), f"{float(value):+.1f}")


def when(value: Any, form: str = "%Y-%m-%d %H:%M") -> Markup:
    """Write a moment in UTC."""
    if value is None or pd.isna(value):
        return NONE
    at = pd.Timestamp(value).tz_convert("UTC")
    return Markup('<time datetime="{}">{}</time>').format(at.isoformat(), at.strftime(form))


def day(value: Any) -> Markup:
    """Write the day of a moment in UTC."""
    return when(value, "%Y-%m-%d")


def embedded(svg: str) -> Markup:
    """Set a drawing into a page; it escapes its own labels, and its style is a file of the room's own."""
    return Markup(without_style(svg))


def address(path: str) -> str:
    """Return an address that a link may have: a path of this room and nothing else."""
    return path if path.startswith("/") and not path.startswith("//") else "/"


@cache
def templates() -> jinja2.Environment:
    """Return the templates, with everything escaped and nothing undefined passed over."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("stillwell.room"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    filters = (number, signed, given, when, day, label, within)
    environment.filters |= {function.__name__: function for function in filters} | {"plain": harmless}
    environment.globals |= {
        "names": urls,
        "sections": SECTIONS,
        "version": __version__,
        "caution": CAUTION,
        "extensions": urls.EXTENSIONS,
        "static": static_address,
    }
    parts = environment.get_template("_parts.html").module
    environment.globals |= {name: getattr(parts, name) for name in PARTS}
    return environment


@cache
def own_files() -> Mapping[str, bytes]:
    """Return the room's own script, style and mark by name."""
    folder = resources.files("stillwell.room").joinpath("static")
    return {name: folder.joinpath(name).read_bytes() for name in OWN_FILES} | {
        DRAWING_STYLE: (style() + TRACE_STYLE).encode()
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


def most_severe_first(findings: pd.DataFrame) -> pd.DataFrame:
    """Order findings by severity, then code."""
    if findings.empty:
        return findings
    return (
        findings.assign(_g=findings["severity"].map(GRAVITY))
        .sort_values(["_g", "code"], kind="stable")
        .drop(columns="_g")
    )


def severest(findings: pd.DataFrame, by: str) -> dict[str, str]:
    """Return the greatest severity of the findings of each value of a column."""
    if findings.empty:
        return {}
    first = most_severe_first(findings).drop_duplicates(by)
    return dict(zip(first[by].astype("str"), first["severity"], strict=True))


def moment_text(at: datetime | None) -> str:
    """Write a moment for a form's field."""
    return "" if at is None else at.strftime("%Y-%m-%d")


def download_links(table: str, **query: Any) -> list[tuple[str, str]]:
    """Name the forms in which rows are given out, each with its address."""
    return [(label, urls.download(table, ext, **query)) for ext, label in urls.EXTENSIONS.items()]
