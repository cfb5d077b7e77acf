"""The OpenAPI 3.1 description of the JSON endpoints, with this archive's own tables and columns in it."""

from __future__ import annotations

from typing import Any

from stillwell import __version__
from stillwell.reading.select.spans import RULE
from stillwell.room.data.archive_view import View

PAGE = 100
_MOST = 1000
_TYPES = {"string": "string", "number": "number", "integer": "integer", "boolean": "boolean", "datetime": "string"}


def most_rows() -> int:
    """Return the most rows one answer holds."""
    return _MOST


def description(view: View) -> dict[str, Any]:
    """Describe the endpoints as they are for an archive.

    Parameters
    ----------
    view : View

    Returns
    -------
    dict
        Ready for JSON.
    """
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Stillwell reading room",
            "version": __version__,
            "description": (
                "Rows of an archive of gaugings, read only. Paths follow the style of OGC API - Features; no "
                f"conformity is claimed. An answer holds at most {_MOST} rows and names the next page; whole tables "
                "are quicker as /download/{table}.parquet."
            ),
        },
        "paths": {
            "/collections": _get("Name every table and every site", [], "Collections"),
            "/collections/{collectionId}": _get("Describe one", [_COLLECTION], "Collection"),
            "/collections/{collectionId}/items": _get(
                "Rows as features; of a site, its gaugings", [_COLLECTION, *_ITEMS], "Features", "application/geo+json"
            ),
            "/sites/{site}/series.json": _get(
                "A window of a series, at most two values for each of its spans: the least and the greatest",
                _SERIES,
                "Window",
            ),
            "/trace.json": _get("What a number rests on, or what rests on something", _TRACE, "Trace"),
            "/openapi.json": _get("This description", [], "Any", "application/vnd.oai.openapi+json;version=3.1"),
        },
        "components": {"schemas": _schemas(view)},
    }


def _parameter(name: str, where: str, said: str, schema: dict[str, Any], example: Any = None) -> dict[str, Any]:
    out = {"name": name, "in": where, "description": said, "required": where == "path", "schema": schema}
    return out if example is None else out | {"example": example}


_TEXT = {"type": "string", "minLength": 1, "maxLength": 500}
_THEN = _parameter("as_of", "query", "the archive as it stood at this day or time with its offset", _TEXT, "2025-10-15")
_COLLECTION = _parameter("collectionId", "path", "name of a table, or code of a site", _TEXT)
_SPAN = f"start/end, an open end as .., or a date or a time alone. {RULE}"
_ITEMS = [
    _parameter(
        "limit", "query", "rows in the answer", {"type": "integer", "minimum": 1, "maximum": _MOST, "default": PAGE}
    ),
    _parameter(
        "offset", "query", "rows passed over", {"type": "integer", "minimum": 0, "maximum": 10**9, "default": 0}
    ),
    _parameter("site", "query", "only rows of this site", _TEXT),
    _parameter("gauging_id", "query", "only rows of this gauging", _TEXT),
    _parameter("instrument", "query", "only rows of this meter", _TEXT),
    _parameter("code", "query", "only findings of this code", _TEXT),
    _parameter("severity", "query", "only findings of this severity", _TEXT),
    _parameter("status", "query", "only gaugings of this status", _TEXT),
    _parameter("check", "query", "only rows of this check", _TEXT),
    _parameter("deposit", "query", "only rows that rest on this deposit", _TEXT),
    _parameter("rating", "query", "only rows of this rating", _TEXT),
    _parameter("sensor", "query", "only rows of this sensor", _TEXT),
    _parameter(
        "datetime",
        "query",
        _SPAN,
        _TEXT,
        "2025-01-01/..",
    ),
    _parameter("bbox", "query", "west,south,east,north in degrees", _TEXT, "-30,47,-29,48"),
    _parameter("revisions", "query", "the rows that stand, or all", {"type": "string", "enum": ["standing", "all"]}),
]
_SERIES = [
    _parameter("site", "path", "code of the site", _TEXT),
    _parameter("series", "query", "name of the series; the first one if left out", _TEXT),
    _parameter("from", "query", "date, or time with its offset", _TEXT, "2025-01-01"),
    _parameter("to", "query", "date, or time with its offset; not included", _TEXT, "2026-01-01"),
    _parameter(
        "width", "query", "spans of the window", {"type": "integer", "minimum": 10, "maximum": 5000, "default": 1000}
    ),
]
_TRACE = [
    _parameter("of", "query", "archive id of a gauging; forward: a site, meter, check, deposit, policy", _TEXT)
    | {"required": True},
    _parameter("way", "query", "back to the bytes, or forward", {"type": "string", "enum": ["back", "forward"]}),
]
_PROBLEMS = {
    "400": "a parameter is not what it should be",
    "404": "there is no such thing in this archive",
    "405": "the room is read only",
    "410": "the bytes were withheld by a recorded decision",
    "414": "the question is too long",
    "421": "the Host header names another machine",
    "503": "something in the archive is not as it was written",
}


def _get(
    summary: str, parameters: list[dict[str, Any]], schema: str, media: str = "application/json"
) -> dict[str, Any]:
    answer = {"description": summary, "content": {media: {"schema": {"$ref": f"#/components/schemas/{schema}"}}}}
    problems = {
        code: {
            "description": said,
            "content": {
                "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}},
                "text/plain": {},
            },
        }
        for code, said in _PROBLEMS.items()
    }
    return {"get": {"summary": summary, "parameters": [*parameters, _THEN], "responses": {"200": answer} | problems}}


def _object(required: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"type": "object", "required": list(required), "properties": required | more}


def _schemas(view: View) -> dict[str, Any]:
    link = _object({"href": {"type": "string"}, "rel": {"type": "string"}, "type": {"type": "string"}})
    links = {"type": "array", "items": {"$ref": "#/components/schemas/Link"}}
    point = _object({"type": {"const": "Point"}, "coordinates": {"type": "array", "items": {"type": "number"}}})
    feature = _object(
        {
            "type": {"const": "Feature"},
            "id": {"type": "string"},
            "geometry": {"anyOf": [point, {"type": "null"}]},
            "properties": {"anyOf": [{"$ref": f"#/components/schemas/row_{table}"} for table in view.tables]},
        }
    )
    whole = {"type": "integer", "minimum": 0}
    numbers = {"type": "array", "items": {"type": "number"}}
    text, number = {"type": "string"}, {"type": ["number", "null"]}
    window = _object(
        {
            "site": text,
            "series": text,
            "unit": text,
            "from": text,
            "to": text,
            "width": whole,
            "values_in_window": whole,
            "least": number,
            "greatest": number,
            "joined": {"type": "boolean"},
            "times_ms": numbers,
            "values": numbers,
            "uncertainty": {"type": "array", "items": number},
            "breaks": numbers,
            "marks": {"type": "array", "items": {"$ref": "#/components/schemas/Mark"}},
        }
    )
    collection = _object({"id": text, "title": text, "description": text, "links": links})
    return {
        "Any": {"type": "object"},
        "Mark": _object({"mark": text, "spans_ms": {"type": "array", "items": numbers}}),
        "Link": link,
        "Collection": collection,
        "Collections": _object({"collections": {"type": "array", "items": collection}, "links": links}),
        "Features": _object(
            {
                "type": {"const": "FeatureCollection"},
                "features": {"type": "array", "items": feature},
                "numberMatched": whole,
                "numberReturned": whole,
                "links": links,
            }
        ),
        "Window": window,
        "Trace": _object(
            {"subject": text, "direction": text, "root": text, "nodes": {"type": "array"}, "edges": {"type": "array"}}
        ),
        "Problem": _object({"title": text, "status": {"type": "integer"}, "detail": text}),
    } | {f"row_{table}": _row(view, table) for table in view.tables}


def _row(view: View, table: str) -> dict[str, Any]:
    fields = view.description(table)["fields"]
    return {
        "type": "object",
        "description": view.description(table).get("description", ""),
        "properties": {field["name"]: _field(field) for field in fields},
        "required": [field["name"] for field in fields],
    }


def _field(field: dict[str, Any]) -> dict[str, Any]:
    unit = f", {field['unit']}" if field.get("unit") and field["unit"] != "1" else ""
    out = {"type": [_TYPES[field["type"]], "null"], "description": f"{field['description']}{unit}"}
    return out | ({"format": "date-time"} if field["type"] == "datetime" else {})
