"""Addresses of the room's pages. A code is a path of its own, whatever characters it holds."""

from __future__ import annotations

from collections.abc import Mapping
from contextvars import ContextVar
from datetime import datetime
from typing import Any
from urllib.parse import quote, unquote, urlencode

from stillwell.reading.printed.text import time_text

AS_OF = "as_of"
"""The parameter that asks for the archive as it stood at an earlier moment."""
_then: ContextVar[str] = ContextVar("then", default="")

EXTENSIONS = {"csv": "CSV", "parquet": "Parquet", "nc": "NetCDF"}


def coded(code: str) -> str:
    """Write a code as one segment of a path.

    A code that a browser or a server would take for more than a segment is quoted twice, with = before it.
    """
    twice = not code.strip(".") or code.startswith("=") or "/" in code or "\\" in code
    return quote(f"={quote(code, safe='')}" if twice else code, safe="")


def decoded(segment: str) -> str:
    """Read a code back from a segment that was already unquoted."""
    return unquote(segment[1:]) if segment.startswith("=") else segment


def stay_at(as_of: datetime | None) -> None:
    """Make the addresses given out from here on, in this context, lead to the archive as it stood at a moment."""
    _then.set("" if as_of is None else time_text(as_of))


def with_query(path: str, query: Mapping[str, Any]) -> str:
    """Add a query to a path, leaving out what is None or empty, and the moment the page shows the archive at."""
    asked = dict(query) if AS_OF in query else {**query, AS_OF: _then.get()}
    given = {name: value for name, value in asked.items() if value is not None and value != ""}
    return f"{path}{'&' if '?' in path else '?'}{urlencode(given)}" if given else path


def at(path: str) -> str:
    """Return the address of a page without a code of its own."""
    return with_query(path, {})


def site(code: str, **query: Any) -> str:
    """Return the address of a site's page."""
    return with_query(f"/sites/{coded(code)}", query)


def gauging(code: str, **query: Any) -> str:
    """Return the address of a gauging's page."""
    return with_query(f"/gaugings/{coded(code)}", query)


def meter(code: str, **query: Any) -> str:
    """Return the address of a meter's page."""
    return with_query(f"/meters/{coded(code)}", query)


def commit(number: int) -> str:
    """Return the address of a ledger entry's page."""
    return with_query(f"/ledger/{number}", {})


def deposit(digest: str) -> str:
    """Return the address of a deposit's page."""
    return with_query(f"/deposits/{coded(digest)}", {})


def lines(digest: str, file: str, rows: Any = None) -> str:
    """Return the address of the page that shows lines of a sealed file."""
    return with_query("/bytes", {"deposit": digest, "file": file, "lines": rows})


def raw(digest: str, number: int) -> str:
    """Return the address of a sealed file's bytes, the file by its place in the deposit."""
    return with_query("/bytes/raw", {"deposit": digest, "number": number})


def listed(path: str) -> str:
    """Return the address of a file that the ledger lists."""
    return f"/files/{quote(path, safe='/')}"


def trace(subject: str, way: str = "") -> str:
    """Return the address of a trace; way is back, forward or, empty, whichever the subject has."""
    return with_query("/trace", {"of": subject, "way": way})


def download(table: str, extension: str, **query: Any) -> str:
    """Return the address of rows of a table as a file."""
    return with_query(f"/download/{table}.{extension}", query)


def downloads(table: str, **query: Any) -> list[tuple[str, str]]:
    """Name the forms in which rows are given out, each with its address."""
    return [(label, download(table, extension, **query)) for extension, label in EXTENSIONS.items()]


OF_SITE = {"series", "correction", "condition", "day", "value"}
"""Kinds of nodes from which no trace starts: it goes on from their site."""
OF_RATING = {"shift", "adoption"}


def node(name: str, details: Mapping[str, str] | None = None) -> str:
    """Return the address a node of a trace leads to: the trace that goes on from it, or what it is."""
    kind, _, rest = name.partition(":")
    details = details or {}
    if kind in {"gauging", "revision"}:
        return trace(rest, "back")
    if kind in {"finding", "review"}:
        return gauging(rest.split("/")[0])
    if kind == "commit":
        return commit(int(rest)) if rest.isdigit() else at("/ledger")
    if kind == "rows":
        return lines(rest.partition("/")[0], details.get("file", ""), details.get("lines"))
    if kind == "file":
        digest, _, path = rest.partition("/")
        return lines(digest, path)
    if kind == "record":
        number = rest.split("/")[-2] if rest.count("/") >= 2 else ""
        return commit(int(number)) if number.isdigit() else at("/ledger")
    if kind in OF_SITE:
        return trace(f"site:{unquote(rest.split('/')[0])}", "forward")
    if kind in OF_RATING:
        return trace(f"rating:{unquote(rest.split('/')[0])}", "forward")
    return trace(f"{kind}:{rest}", "forward")
