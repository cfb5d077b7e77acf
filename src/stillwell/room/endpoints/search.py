"""Search: sites, gaugings, meters, checks, deposits and findings whose names hold some letters."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.room.page import page

MOST = 50
LONGEST = 200

QUESTIONS: tuple[tuple[str, str, tuple[str, ...], str], ...] = (
    ("sites", "Sites", ("site", "name", "river", "owner"), "site, name, river"),
    (
        "gaugings",
        "Gaugings",
        ("gauging_id", "label", "sheet_number", "party", "visit", "remarks"),
        "gauging_id, label, started_at, party, remarks",
    ),
    ("instruments", "Meters", ("instrument", "serial", "kind"), "instrument, kind, serial"),
    ("checks", "Checks of meters", ("check", "reasons"), '"check", instrument, verdict, reasons'),
    ("deposits", "Deposits", ("deposit", "name", "by"), 'deposit, name, outcome, "commit"'),
)
"""Table, heading, columns looked into, columns shown."""


def search(view: View, request: Request) -> Response:
    """Answer with what holds the letters asked for, in capitals or not."""
    text = request.query_params.get("q", "").strip().replace("\0", "")[:LONGEST]
    groups = view.memo(("search", text.casefold()), lambda: _groups(view, text)) if text else []
    codes = view.memo("codes", lambda: view.ask("SELECT DISTINCT code FROM findings ORDER BY code")["code"].to_pylist())
    return page(
        view,
        request,
        "search",
        text=text,
        groups=groups,
        codes=[code for code in codes if text and text.casefold() in code],
        commit=int(text)
        if text.isascii() and text.isdigit() and len(text) < 10 and 1 <= int(text) <= view.number
        else None,
    )


def _groups(view: View, text: str) -> list[tuple[str, list[dict[str, Any]]]]:
    return [(heading, _rows(view, table, columns, shown, text)) for table, heading, columns, shown in QUESTIONS]


def _rows(view: View, table: str, columns: tuple[str, ...], shown: str, text: str) -> list[dict[str, Any]]:
    if table not in view.tables:
        return []
    where = " OR ".join(f'contains(lower("{name}"), lower(?))' for name in columns)
    # the names are this module's own; what was asked goes in as values
    question = f'SELECT {shown} FROM "{table}" WHERE {where} ORDER BY 1 LIMIT {MOST}'
    rows = view.ask(question, [text] * len(columns)).to_pylist()
    return [_result(table, row) for row in rows]


def _result(table: str, row: dict[str, Any]) -> dict[str, Any]:
    if table == "sites":
        return {"href": urls.site(row["site"]), "title": row["site"], "details": [row["name"], row["river"]]}
    if table == "gaugings":
        details = [row["label"], row["party"], row["remarks"]]
        return {"href": urls.gauging(row["gauging_id"]), "title": row["gauging_id"], "details": details}
    if table == "instruments":
        return {
            "href": urls.meter(row["instrument"]),
            "title": row["instrument"],
            "details": [row["kind"], row["serial"]],
        }
    if table == "checks":
        return {
            "href": urls.meter(row["instrument"]),
            "title": row["check"],
            "details": [row["verdict"], row["reasons"]],
        }
    details = [row["outcome"], f"commit {row['commit']}", row["deposit"]]
    return {"href": urls.deposit(row["deposit"]), "title": row["name"], "details": details}
