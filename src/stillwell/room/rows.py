"""Rows of a table that a question asks for, the same for a page, a download and the JSON endpoints."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd
import pyarrow as pa

from stillwell.archive.ledger.moved_gaugings import sites_named
from stillwell.archive.tables.current_rows import GAUGING
from stillwell.archive.tables.table_files import arrow_schema_from
from stillwell.pages.data.archive_view import View
from stillwell.reading.select.spans import EVER, Condition, Span, fits, in_sql, of_values
from stillwell.room.query_params import EQUAL, BadQuestion, NotFound, one_of, span


@dataclass(frozen=True)
class Wanted:
    """Which rows of which table: equal in some columns, in a span of time, in a box of degrees, standing or all."""

    table: str
    equal: Mapping[str, str] = field(default_factory=dict)
    span: Span = EVER
    box: tuple[float, float, float, float] | None = None
    every: bool = False


def wanted(view: View, table: str, query: Mapping[str, str]) -> Wanted:
    """Read a question about a table.

    Raises
    ------
    NotFound
        If the archive has no such table.
    BadQuestion
        If a parameter does not fit it.
    """
    if table not in view.tables:
        msg = f"This archive has no table {table!r}; it has {', '.join(view.tables)}."
        raise NotFound(msg)
    known = set(view.columns(table))
    for name in EQUAL:
        if query.get(name) and name not in known:
            columns = ", ".join(sorted(known))
            msg = f"expected parameters that the table {table} has, found {name}; its columns are {columns}"
            raise BadQuestion(msg)
    equal = {name: _plain(query[name], name) for name in EQUAL if query.get(name)}
    every = one_of(query, "revisions") == "all"
    asked = span(query, "datetime")
    described = view.described(table)
    if asked and described.time is None and not described.of_gaugings:
        msg = f"expected no datetime, since the rows of {table} stand at no time; found one"
        raise BadQuestion(msg)
    return Wanted(table, equal, asked, _box(query.get("bbox", ""), known), every)


def _plain(text: str, name: str) -> str:
    if "\0" in text or len(text) > 500:
        msg = f"expected a text of at most 500 characters without a zero byte for {name}"
        raise BadQuestion(msg)
    return text


def _box(text: str, columns: set[str]) -> tuple[float, float, float, float] | None:
    if not text:
        return None
    msg = f"expected west,south,east,north in degrees for bbox, found {text[:80]!r}"
    try:
        west, south, east, north = (float(part) for part in text.split(","))
    except ValueError as error:
        raise BadQuestion(msg) from error
    if not (-180 <= west <= 180 and -180 <= east <= 180 and -90 <= south <= north <= 90):
        raise BadQuestion(msg)
    if "site" not in columns:
        msg = "expected no bbox, since the rows of this table have no site; found one"
        raise BadQuestion(msg)
    return west, south, east, north


def order_of(view: View, table: str) -> list[str]:
    """Name the columns by which rows are ordered: site, key, revision, time of recording."""
    columns, key = view.columns(table), view.description(table)["primaryKey"]
    return [c for c in dict.fromkeys(["site", *key, "revision", "recorded_at"]) if c in columns]


def select(view: View, w: Wanted, limit: int | None = None, offset: int = 0) -> tuple[pa.Table, int]:
    """Read rows.

    Parameters
    ----------
    view : View
    w : Wanted
    limit : int, optional
        Rows at most, in the order of ``order_of``.
    offset : int
        Rows passed over.

    Returns
    -------
    pyarrow.Table
        With every column of the table, typed as the archive describes it.
    int
        Rows there are without a limit.
    """
    schema = arrow_schema_from(view.description(w.table))
    site = w.equal.get("site") or _site_of(w.equal.get("gauging_id"))
    if site is not None and w.box is None and "site" in schema.names:
        rows = _from_frame(view, w, site)
        part = rows.iloc[offset:] if limit is None else rows.iloc[offset : offset + limit]
        return pa.Table.from_pandas(part, schema=schema, preserve_index=False).replace_schema_metadata(), len(rows)
    where, values = _where(view, w)
    relation = f'"{w.table}_revisions"' if w.every else f'"{w.table}"'
    count = view.ask(f"SELECT count(*) FROM {relation} r WHERE {where}", values)[0][0].as_py()
    order = ", ".join(f'r."{name}" NULLS LAST' for name in order_of(view, w.table))
    page = "" if limit is None else f" LIMIT {int(limit)} OFFSET {int(offset)}"
    columns = ", ".join(f'r."{name}"' for name in schema.names)
    # the names of table and columns are the archive's own, looked up; all that was asked goes in as values
    answer = view.ask(f"SELECT {columns} FROM {relation} r WHERE {where} ORDER BY {order}{page}", values)
    return answer.cast(schema), int(count)


def _site_of(gauging_id: str | None) -> str | None:
    if gauging_id is None:
        return None
    named = sites_named(pd.Series([gauging_id], dtype="str")).iloc[0]
    return None if pd.isna(named) else str(named)


def _conditions(view: View, w: Wanted) -> tuple[list[Condition], list[Condition]]:
    """Write a question as conditions on the rows, and on the gaugings they belong to."""
    own = of_values({name: [value] for name, value in w.equal.items()})
    table = view.described(w.table)
    if not w.span:
        return own, []
    if table.time is not None:
        return own + w.span.conditions_on(table), []
    return own, w.span.conditions_on(view.described("gaugings"))


def _from_frame(view: View, w: Wanted, site: str) -> pd.DataFrame:
    related = view.archive.related([site])

    def read(table: str) -> pd.DataFrame:
        frames = [view.every(table, [s]) if w.every else view.standing(table, s) for s in related]
        return pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]

    own, theirs = _conditions(view, w)
    rows = read(w.table)
    keep = fits(rows, own)
    if theirs:
        gaugings = read("gaugings")
        met = pd.MultiIndex.from_frame(gaugings.loc[fits(gaugings, theirs), GAUGING])
        keep &= pd.MultiIndex.from_frame(rows[GAUGING]).isin(met)
    return rows[keep].sort_values(order_of(view, w.table), kind="stable", na_position="last")


def _where(view: View, w: Wanted) -> tuple[str, list[Any]]:
    own, theirs = _conditions(view, w)
    where, values = in_sql(own, "r")
    parts = [where]
    if theirs:
        met, more = in_sql(theirs, "g")
        among, key = ("gaugings_revisions" if w.every else "gaugings"), ", ".join(GAUGING)
        parts.append(f"({', '.join(f'r.{name}' for name in GAUGING)}) IN (SELECT {key} FROM {among} g WHERE {met})")
        values += more
    if w.box is not None:
        west, south, east, north = w.box
        across = "longitude BETWEEN ? AND ?" if west <= east else "(longitude >= ? OR longitude <= ?)"
        parts.append(f"r.site IN (SELECT site FROM sites WHERE {across} AND latitude BETWEEN ? AND ?)")
        values += [west, east, south, north]
    return " AND ".join(parts), values
