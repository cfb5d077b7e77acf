"""The tables with what their columns mean, and what the room is."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.room.page import page
from stillwell.room.query_params import NotFound, whole_number
from stillwell.room.rows import select, wanted

A_PAGE = 50


def tables(view: View, request: Request) -> Response:
    """Answer with the tables."""
    counted = view.memo("rows-counted", lambda: {table: _rows(view, table) for table in view.tables})
    listed = [
        (table, view.description(table)["description"], counted[table], urls.downloads(table)) for table in view.tables
    ]
    return page(view, request, "tables", tables=listed)


def _rows(view: View, table: str) -> int:
    if view.as_of is None:
        return sum(file.rows for file in view.archive.table_files(table))
    return int(view.ask(f'SELECT count(*) FROM "{table}_revisions"')[0][0].as_py())


def table_page(view: View, request: Request) -> Response:
    """Answer with one table: its columns and its rows that stand, some at a time."""
    table = request.path_params["table"]
    if table not in view.tables:
        msg = f"This archive has no table {table!r}; it has {', '.join(view.tables)}."
        raise NotFound(msg)
    first = whole_number(request.query_params, "page")
    rows, count = select(view, wanted(view, table, {}), A_PAGE, (first - 1) * A_PAGE)
    return page(
        view,
        request,
        "table",
        table=table,
        description=view.description(table),
        rows=rows.to_pylist(),
        count=count,
        number=first,
        pages=max(-(-count // A_PAGE), 1),
        links=urls.downloads(table),
    )


def about(view: View, request: Request) -> Response:
    """Answer with what the room is, and how to read the archive without it."""
    return page(view, request, "about")
