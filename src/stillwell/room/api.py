"""JSON endpoints with paths after the style of OGC API - Features. Says nothing of conformity."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.data.series import series_of
from stillwell.pages.formats import records
from stillwell.pages.site import site_row
from stillwell.reading.printed.text import time_text
from stillwell.reading.trace.graph import as_dict
from stillwell.reading.trace.trace import trace, trace_forward
from stillwell.room.openapi import description
from stillwell.room.query_params import NotFound, one_of, whole_number
from stillwell.room.rows import Wanted, select, wanted
from stillwell.room.windows import as_json, window_of

GEOJSON = "application/geo+json"


def openapi(view: View, request: Request) -> Response:
    """Answer with the description of these endpoints."""
    return JSONResponse(description(view), media_type="application/vnd.oai.openapi+json;version=3.1")


def collections(view: View, request: Request) -> Response:
    """Answer with what can be asked for: every table, and every site by its code."""
    listed = [_collection(view, table) for table in view.tables]
    listed += [_site_collection(row) for row in records(view.standing("sites")) if row["site"] not in view.tables]
    return JSONResponse({"collections": listed, "links": [_link(urls.at("/collections"), "self")]})


def collection(view: View, request: Request) -> Response:
    """Answer with one of them."""
    name = urls.decoded(request.path_params["collection"])
    if name in view.tables:
        return JSONResponse(_collection(view, name))
    return JSONResponse(_site_collection(site_row(view, name)))


def items(view: View, request: Request) -> Response:
    """Answer with rows as GeoJSON features; those of a site are its gaugings."""
    query = request.query_params
    name = urls.decoded(request.path_params["collection"])
    if name in view.tables:
        w = wanted(view, name, query)
    else:
        site_row(view, name)
        w = wanted(view, "gaugings", dict(query) | {"site": name})
    limit = whole_number(query, "limit")
    offset = whole_number(query, "offset")
    rows, count = select(view, w, limit, offset)
    places = {row["site"]: _point(row) for row in records(view.standing("sites"))}
    features = [_feature(view, w, row, places) for row in rows.to_pylist()]
    base = f"/collections/{urls.coded(name)}/items"
    links = [_link(urls.with_query(base, dict(query)), "self", GEOJSON)]
    if offset + limit < count:
        further = urls.with_query(base, dict(query) | {"limit": limit, "offset": offset + limit})
        links.append(_link(further, "next", GEOJSON))
    answer = {
        "type": "FeatureCollection",
        "features": features,
        "numberMatched": count,
        "numberReturned": len(features),
        "links": links,
    }
    return JSONResponse(answer, media_type=GEOJSON)


def series_json(view: View, request: Request) -> Response:
    """Answer with a window of a series of a site, made short without losing a peak."""
    site = site_row(view, urls.decoded(request.path_params["site"]))["site"]
    window = window_of(series_of(view, site), request.query_params)
    if window is None:
        msg = f"The site {site} has no series in this archive."
        raise NotFound(msg)
    return JSONResponse(as_json(site, window))


def trace_json(view: View, request: Request) -> Response:
    """Answer with a trace as nodes and edges."""
    subject, way = request.query_params.get("of", ""), one_of(request.query_params, "way")
    walk = trace_forward if way == "forward" else trace
    return JSONResponse(as_dict(view.memo(("trace", way, subject), lambda: walk(view.archive, subject))))


def _collection(view: View, table: str) -> dict[str, Any]:
    schema = view.description(table)
    path = f"/collections/{table}"
    return {
        "id": table,
        "title": table.replace("_", " "),
        "description": schema.get("description", ""),
        "itemType": "feature",
        "links": [_link(urls.at(path), "self"), _link(urls.at(f"{path}/items"), "items", GEOJSON)],
        "key": schema["primaryKey"],
        "fields": schema["fields"],
    }


def _site_collection(row: Mapping[str, Any]) -> dict[str, Any]:
    path = f"/collections/{urls.coded(row['site'])}"
    out: dict[str, Any] = {
        "id": row["site"],
        "title": row["name"],
        "description": "Gaugings of this site that stand.",
        "itemType": "feature",
        "links": [_link(urls.at(path), "self"), _link(urls.at(f"{path}/items"), "items", GEOJSON)],
    }
    point = _point(row)
    if point:
        lon, lat = point["coordinates"]
        out["extent"] = {"spatial": {"bbox": [[lon, lat, lon, lat]]}}
    return out


def _feature(view: View, w: Wanted, row: Mapping[str, Any], places: Mapping[str, Any]) -> dict[str, Any]:
    key = view.description(w.table)["primaryKey"]
    properties = {name: _jsonable(value) for name, value in row.items()}
    identity = "/".join("" if properties[name] is None else str(properties[name]) for name in key)
    if "revision" in properties and "revision" not in key and w.every:
        identity += f"/{properties['revision']}"
    return {"type": "Feature", "id": identity, "geometry": places.get(str(row.get("site"))), "properties": properties}


def _point(row: Mapping[str, Any]) -> dict[str, Any] | None:
    lat, lon = row["latitude"], row["longitude"]
    return None if lat is None or lon is None else {"type": "Point", "coordinates": [lon, lat]}


def _jsonable(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return time_text(value) if isinstance(value, datetime) else value


def _link(href: str, rel: str, media: str = "application/json") -> dict[str, str]:
    return {"href": href, "rel": rel, "type": media}
