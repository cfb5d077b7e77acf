"""Rows of a table that a question asks for, the same for a page, a download and the JSON endpoints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import pandas as pd
import pyarrow as pa

from stillwell.archive.links import sites_named
from stillwell.archive.tables import arrow_schema_from
from stillwell.room.asked import BadQuestion, NotFound, moment_in
from stillwell.room.shelf import View

EQUAL = ("site", "gauging_id", "instrument", "code", "severity", "status", "check", "deposit", "rating", "sensor")
"""Columns a question can name, where the table has them."""
PARAMETERS = (*EQUAL, "datetime", "bbox", "revisions")
OWN_TIME = ("started_at", "checked_at")


@dataclass(frozen=True)
class Wanted:
    """Which rows of which table: equal in some columns, in a span of time, in a box of degrees, standing or all."""

    table: str
    equal: Mapping[str, str] = field(default_factory=dict)
    since: datetime | None = None
    until: datetime | None = None
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
    every = query.get("revisions", "") == "all"
    if query.get("revisions", "") not in {"", "all", "standing"}:
        msg = f"expected all or standing for revisions, found {query['revisions'][:80]!r}"
        raise BadQuestion(msg)
    since, until = _interval(query.get("datetime", ""))
    if (since or until) and _time(view, table) is None:
        msg = f"expected no datetime, since the rows of {table} stand at no time; found one"
        raise BadQuestion(msg)
    return Wanted(table, equal, since, until, _box(query.get("bbox", ""), known), every)


def _plain(text: str, name: str) -> str:
    if "\0" in text or len(text) > 500:
        msg = f"expected a text of at most 500 characters without a zero byte for {name}"
        raise BadQuestion(msg)
    return text


def _interval(text: str) -> tuple[datetime | None, datetime | None]:
    """Read a moment, or two with a slash between of which one may be open, as in 2025-01-01/.."""
    if not text:
        return None, None
    first, slash, last = text.partition("/")
    if not slash:
        return moment_in(first, "datetime"), moment_in(first, "datetime", end=True)
    since = None if first in {"", ".."} else moment_in(first, "datetime")
    until = None if last in {"", ".."} else moment_in(last, "datetime", end=True)
    if since and until and since > until:
        msg = f"expected an interval that ends after its start, found {text[:80]!r}"
        raise BadQuestion(msg)
    return since, until


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


def _time(view: View, table: str) -> str | None:
    """Find the column of a table's time; a row of a gauging goes by the gauging's start."""
    description = view.description(table)
    kinds = {f["name"]: f["type"] for f in description["fields"]}
    own = [n for n in (*OWN_TIME, *description["primaryKey"]) if kinds.get(n) == "datetime"]
    if own:
        return own[0]
    if "gauging_id" in kinds:
        return "gauging_id"
    return "recorded_at" if "recorded_at" in kinds else None


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
    rows_found = view.ask(f"SELECT {columns} FROM {relation} r WHERE {where} ORDER BY {order}{page}", values)
    return rows_found.cast(schema), int(count)


def _site_of(gauging_id: str | None) -> str | None:
    if gauging_id is None:
        return None
    named = sites_named(pd.Series([gauging_id], dtype="str")).iloc[0]
    return None if pd.isna(named) else str(named)


def _from_frame(view: View, w: Wanted, site: str) -> pd.DataFrame:
    related = view.archive.related([site])
    frames = [view.every(w.table, [s]) if w.every else view.standing(w.table, s) for s in related]
    rows = pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]
    keep = pd.Series(True, index=rows.index)
    for name, value in w.equal.items():
        keep &= (rows[name] == value).fillna(False).astype(bool)
    time = _time(view, w.table)
    if w.since or w.until:
        times = rows[time] if time != "gauging_id" else rows["gauging_id"].map(_starts(view, related))
        keep &= (times >= w.since if w.since else True) & (times <= w.until if w.until else True)
    order = order_of(view, w.table)
    return rows[keep].sort_values(order, kind="stable", na_position="last")


def _starts(view: View, sites: Sequence[str]) -> pd.Series:
    gaugings = pd.concat([view.standing("gaugings", site) for site in sites])
    return gaugings.set_index("gauging_id")["started_at"]


def _where(view: View, w: Wanted) -> tuple[str, list[Any]]:
    parts, values = ["true"], list[Any]()
    for name, value in w.equal.items():
        parts.append(f'r."{name}" = ?')
        values.append(value)
    time = _time(view, w.table)
    for sign, at in ((">=", w.since), ("<=", w.until)):
        if at is None:
            continue
        if time == "gauging_id":
            parts.append(f"r.gauging_id IN (SELECT gauging_id FROM gaugings WHERE started_at {sign} ?::TIMESTAMPTZ)")
        else:
            parts.append(f'r."{time}" {sign} ?::TIMESTAMPTZ')
        values.append(at.isoformat())
    if w.box is not None:
        west, south, east, north = w.box
        across = "longitude BETWEEN ? AND ?" if west <= east else "(longitude >= ? OR longitude <= ?)"
        parts.append(f"r.site IN (SELECT site FROM sites WHERE {across} AND latitude BETWEEN ? AND ?)")
        values += [west, east, south, north]
    return " AND ".join(parts), values


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows as dicts, missing as None."""
    plain = frame.astype(object).where(frame.notna(), None)
    return [{str(name): value for name, value in row.items()} for row in plain.to_dict("records")]


def first_record(frame: pd.DataFrame) -> dict[str, Any]:
    """Return the first row as a dict, missing as None."""
    return records(frame.head(1))[0]
