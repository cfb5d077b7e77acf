"""The OpenAPI 3.1 description of the JSON endpoints, with this archive's own tables and columns in it."""

from __future__ import annotations

from typing import Any

from stillwell import __version__
from stillwell.pages.data.archive_view import View
from stillwell.pages.urls import AS_OF
from stillwell.room.query_params import ITEMS, PARAMETERS, TRACE, WINDOW, Parameter

_TYPES = {"string": "string", "number": "number", "integer": "integer", "boolean": "boolean", "datetime": "string"}


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
    most = (PARAMETERS["limit"].whole or (0, 0, 0))[1]
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Stillwell reading room",
            "version": __version__,
            "description": (
                "Rows of an archive of gaugings, read only. Paths follow the style of OGC API - Features; no "
                f"conformity is claimed. An answer holds at most {most} rows and names the next page; whole tables "
                "are quicker as /download/{table}.parquet."
            ),
        },
        "paths": {
            "/collections": _get("Name every table and every site", [], "Collections"),
            "/collections/{collectionId}": _get("Describe one", [_COLLECTION], "Collection"),
            "/collections/{collectionId}/items": _get(
                "Rows as features; of a site, its gaugings",
                [_COLLECTION, *_query(*ITEMS)],
                "Features",
                "application/geo+json",
            ),
            "/sites/{site}/series.json": _get(
                "A window of a series, at most two values for each of its spans: the least and the greatest",
                [_path("site", "code of the site"), *_query(*WINDOW)],
                "Window",
            ),
            "/trace.json": _get("What a number rests on, or what rests on something", _query(*TRACE), "Trace"),
            "/openapi.json": _get("This description", [], "Any", "application/vnd.oai.openapi+json;version=3.1"),
        },
        "components": {"schemas": _schemas(view)},
    }


_TEXT = {"type": "string", "minLength": 1, "maxLength": 500}


def _path(name: str, meaning: str) -> dict[str, Any]:
    return {"name": name, "in": "path", "description": meaning, "required": True, "schema": _TEXT}


def _query(*names: str) -> list[dict[str, Any]]:
    """Describe parameters of a query from the table of all parameters."""
    return [_parameter(name, PARAMETERS[name]) for name in names]


def _parameter(name: str, parameter: Parameter) -> dict[str, Any]:
    schema: dict[str, Any] = _TEXT
    if parameter.whole is not None:
        least, most, default = parameter.whole
        schema = {"type": "integer", "minimum": least, "maximum": most, "default": default}
    elif parameter.words:
        schema = {"type": "string", "enum": list(parameter.words)}
    out = {"name": name, "in": "query", "description": parameter.meaning, "required": name == "of", "schema": schema}
    return out | ({"example": parameter.example} if parameter.example else {})


_COLLECTION = _path("collectionId", "name of a table, or code of a site")
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
            "description": text,
            "content": {
                "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}},
                "text/plain": {},
            },
        }
        for code, text in _PROBLEMS.items()
    }
    return {
        "get": {
            "summary": summary,
            "parameters": [*parameters, *_query(AS_OF)],
            "responses": {"200": answer} | problems,
        }
    }


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
