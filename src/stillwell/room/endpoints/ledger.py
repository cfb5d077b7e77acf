"""The ledger: its commits, one commit, the deposits, one deposit, and the files that are listed."""

from __future__ import annotations

import json
import mimetypes
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from stillwell.archive.disk.layout import entry_path
from stillwell.errors import ArchiveDamaged, Withheld
from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import records
from stillwell.room.page import page
from stillwell.room.query_params import PARAMETERS, NotFound, one_of, whole_number
from stillwell.room.ranges import whole_or_part

A_PAGE = 50
MOST_FILES = 500
_TYPES = {".nc": "application/x-netcdf", ".parquet": "application/vnd.apache.parquet", ".json": "application/json"}


def ledger(view: View, request: Request) -> Response:
    """Answer with the commits, the newest first."""
    first = whole_number(request.query_params, "page")
    newest = view.number - (first - 1) * A_PAGE
    entries = [view.archive.ledger.entry(n) for n in range(newest, max(newest - A_PAGE, 0), -1)]
    return page(view, request, "ledger", entries=entries, number=first, pages=max(-(-view.number // A_PAGE), 1))


def entry_page(view: View, request: Request) -> Response:
    """Answer with one commit."""
    text = request.path_params["number"]
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 12 else 0
    if not 1 <= number <= view.number:
        msg = f"The ledger has the entries 1 to {view.number}; there is no entry {text!r}."
        raise NotFound(msg)
    entry = view.archive.ledger.entry(number)
    live = view.archive.listing()
    files = [(file, file.path in live) for file in entry.files[:MOST_FILES]]
    return page(
        view,
        request,
        "entry",
        entry=entry,
        files=files,
        many=len(entry.files),
        counts=dict(entry.counts or {}),
        ledger_path=entry_path(number),
    )


def deposits(view: View, request: Request) -> Response:
    """Answer with what was handed in."""
    rows = view.standing("deposits")
    outcome = one_of(request.query_params, "outcome")
    if len(rows):
        some = rows["gaugings_returned"] + rows["problems"] > 0
        rows = rows if outcome == "all" else rows[some if outcome == "returned" else ~some]
        rows = rows.sort_values(["commit", "name"], ascending=[False, True])
    first = whole_number(request.query_params, "page")
    shown = records(rows.iloc[(first - 1) * A_PAGE : first * A_PAGE])
    return page(
        view,
        request,
        "deposits",
        rows=shown,
        many=len(rows),
        number=first,
        pages=max(-(-len(rows) // A_PAGE), 1),
        outcome=outcome,
        outcomes=PARAMETERS["outcome"].words,
        links=urls.downloads("deposits"),
    )


def deposit_page(view: View, request: Request) -> Response:
    """Answer with one deposit: what it is, its files, and what was returned and why."""
    digest = known_deposit(view, urls.decoded(request.path_params["digest"]))
    rows = view.standing("deposits")
    taken = records(rows[rows["deposit"] == digest]) if len(rows) else []
    unreadable, files = "", []
    try:
        sealed = view.archive.sealed.read(digest)
        files = [(number, file.path, len(file.data)) for number, file in enumerate(sealed.files)]
    except (Withheld, ArchiveDamaged) as error:
        unreadable = str(error)
    return page(
        view,
        request,
        "deposit",
        digest=digest,
        taken=taken,
        files=files,
        unreadable=unreadable,
        returned=_returned(view, digest),
    )


def known_deposit(view: View, digest: str) -> str:
    """Find a deposit by its whole digest in the ledger.

    Raises
    ------
    NotFound
        If none was taken that has it.
    """
    taken = view.standing("deposits") if view.as_of else None
    known = view.archive.ledger.has_deposit(digest) if taken is None else bool((taken["deposit"] == digest).any())
    if not known:
        msg = f"No deposit with the sha256 {digest[:80]!r} was {'taken by then' if view.as_of else 'ever taken'}."
        raise NotFound(msg)
    return digest


def _returned(view: View, digest: str) -> list[tuple[str, dict[str, Any]]]:
    """Read the reasons why something of a deposit was returned."""
    start = f"returned/{digest[:16]}-"
    paths = [path for path in view.archive.listing() if path.startswith(start)]
    pages = [(path, json.loads(view.archive.document(path))) for path in sorted(paths)]
    return [(path, document) for path, document in pages if document.get("deposit") == digest]


def listed_file(view: View, request: Request) -> Response:
    """Answer with a file that the ledger lists, held against its digest; no other path is ever looked at."""
    path = request.path_params["path"]
    if path not in view.archive.listing():
        msg = f"The ledger lists no file {path[:200]!r}."
        raise NotFound(msg)
    name = path.rpartition("/")[2]
    media = _TYPES.get(PurePosixPath(name).suffix) or mimetypes.guess_type(name)[0] or "application/octet-stream"
    headers = {"content-disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}"}
    return whole_or_part(request, view.archive.document(path), media, headers)
