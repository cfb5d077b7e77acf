"""Rows as a file: CSV, Parquet or NetCDF, made in memory. Writes nothing to disk."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from threading import Lock
from typing import Any
from urllib.parse import quote

import netCDF4
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from stillwell import __version__
from stillwell.fingerprint import sha256
from stillwell.pages.data.archive_view import View
from stillwell.reading.printed.text import as_csv
from stillwell.room.query_params import BadQuestion, NotFound
from stillwell.room.ranges import wants_part, whole_or_part
from stillwell.room.rows import Wanted, select, wanted

TYPES = {
    "csv": "text/csv; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
    "nc": "application/x-netcdf",
}
MOST_ROWS = 2_000_000
CSV_ROWS = 20_000
"""Rows of a CSV made and sent at a time."""
NO_COUNT = np.iinfo(np.int64).min
MOST_LETTERS = 256
"""Bytes of the longest text that is written as letters."""
NO_NUMBER = 9.969209968386869e36

_one_at_a_time = Lock()
"""The NetCDF library must not be used by two threads at once."""


def download(view: View, request: Request) -> Response:
    """Answer with rows of a table as a file.

    Raises
    ------
    NotFound
        If there is no such table or form.
    BadQuestion
        If a parameter does not fit, or more rows are asked for than are given out at once.
    """
    table, _, extension = request.path_params["name"].rpartition(".")
    if extension not in TYPES:
        msg = f"Rows are given out as {', '.join(TYPES)}; there is no form {extension!r}."
        raise NotFound(msg)
    w = wanted(view, table, request.query_params)
    rows, count = select(view, w, MOST_ROWS + 1)
    if count > MOST_ROWS:
        msg = f"expected at most {MOST_ROWS} rows, found {count}; ask for one site or a span of time"
        raise BadQuestion(msg)
    at = [f"as of {view.as_of:%Y-%m-%dT%H%M%SZ}"] if view.as_of else []
    name = "_".join([table, *w.equal.values(), *at]) + f".{extension}"
    headers = {"content-disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}"}
    tag = _tag(view, request)
    if extension == "csv":
        return _csv(view, request, rows, headers, tag)

    def make() -> bytes:
        return parquet_bytes(rows, view.description(table)) if extension == "parquet" else netcdf_bytes(rows, view, w)

    # kept, since NetCDF holds the second it was made in: its parts must be of one file
    made: bytes = view.memo(("download", tag), make)
    return whole_or_part(request, made, TYPES[extension], headers)


def _tag(view: View, request: Request) -> str:
    """Name the rows of a question, at a state of the archive, as this version writes them."""
    asked = "&".join(sorted(f"{quote(name)}={quote(value)}" for name, value in request.query_params.items()))
    text = f"{__version__} {view.digest} {view.as_of} {request.url.path}?{asked}"
    return f'"{sha256(text.encode())[:32]}"'


def _csv(view: View, request: Request, rows: pa.Table, headers: dict[str, str], tag: str) -> Response:
    """Send CSV as it is written; made whole where a part of it is asked for."""
    if wants_part(request, tag) or request.headers.get("if-none-match") == tag:
        made: bytes = view.memo(("download", tag), lambda: b"".join(csv_parts(rows)))
        return whole_or_part(request, made, TYPES["csv"], headers, tag)
    sent = headers | {"etag": tag, "accept-ranges": "bytes"}
    return StreamingResponse(csv_parts(rows), media_type=TYPES["csv"], headers=sent)


def csv_parts(rows: pa.Table) -> Iterator[bytes]:
    """Write rows as CSV, some at a time."""
    yield as_csv(rows.slice(0, 0)).encode()
    for start in range(0, len(rows), CSV_ROWS):
        yield as_csv(rows.slice(start, CSV_ROWS)).partition("\n")[2].encode()


def parquet_bytes(rows: pa.Table, description: Mapping[str, Any]) -> bytes:
    """Write rows as Parquet, with what the archive says of each column."""
    notes = {field["name"]: _notes(field) for field in description["fields"]}
    schema = pa.schema([f.with_metadata(notes[f.name]) for f in rows.schema])
    out = io.BytesIO()
    pq.write_table(rows.cast(schema), out, compression="zstd")
    return out.getvalue()


def _notes(field: Mapping[str, Any]) -> dict[str, str]:
    attributes = {
        "long_name": field["description"],
        "units": field.get("unit"),
        "standard_name": field.get("standardName"),
    }
    return {name: value for name, value in attributes.items() if value}


def netcdf_bytes(rows: pa.Table, view: View, w: Wanted) -> bytes:
    """Write rows as NetCDF: one dimension, a variable for each column with its unit, CF name and meaning."""
    description = view.description(w.table)
    asked = ", ".join([*(f"{name} = {value}" for name, value in w.equal.items())]) or "all rows"
    attributes = {
        "Conventions": "CF-1.11",
        "title": f"{w.table}: {asked}",
        "summary": description.get("description", ""),
        "source": f"Stillwell archive at ledger entry {view.number}, sha256 {view.digest}",
        "history": f"rows written out by stillwell {__version__}",
    }
    with _one_at_a_time:
        dataset = netCDF4.Dataset("rows.nc", "w", format="NETCDF4", memory=1 << 16)
        try:
            dataset.setncatts(attributes)
            dataset.createDimension("row", len(rows))
            for field in description["fields"]:
                _variable(dataset, field, rows[field["name"]])
        except BaseException:
            dataset.close()
            raise
        return bytes(dataset.close())


def _texts(dataset: Any, name: str, values: pa.ChunkedArray) -> tuple[Any, Any]:
    """Make a variable of texts: compressed letters where none is very long, since texts of any length cannot be."""
    coded = values.fill_null("").combine_chunks().dictionary_encode()
    words = [word.encode() for word in coded.dictionary.to_pylist()]
    letters = max(map(len, words), default=0)
    if letters > MOST_LETTERS or not words:
        variable = dataset.createVariable(name, str, ("row",))
        return variable, np.array([value or "" for value in values.to_pylist()], dtype=object)
    wide = max(letters, 1)
    if f"letters_{wide}" not in dataset.dimensions:
        dataset.createDimension(f"letters_{wide}", wide)
    variable = dataset.createVariable(name, "S1", ("row", f"letters_{wide}"), compression="zlib")
    variable.setncattr("_Encoding", "utf-8")
    variable.set_auto_chartostring(False)
    table = np.array(words, dtype=f"S{wide}").view("S1").reshape(len(words), wide)
    return variable, table[coded.indices.to_numpy()]


def _variable(dataset: Any, field: Mapping[str, Any], values: pa.ChunkedArray) -> None:
    kind, attributes = field["type"], _notes(field)
    filled: Any
    if kind == "string":
        attributes.pop("standard_name", None)
        variable, filled = _texts(dataset, field["name"], values)
    elif kind == "number":
        variable = dataset.createVariable(field["name"], "f8", ("row",), fill_value=NO_NUMBER, compression="zlib")
        numbers = values.to_numpy(zero_copy_only=False).astype("f8")
        filled = np.where(np.isnan(numbers), NO_NUMBER, numbers)
    elif kind == "boolean":
        variable = dataset.createVariable(field["name"], "i1", ("row",), fill_value=-1)
        attributes |= {"flag_meanings": "false true"}
        variable.flag_values = np.array([0, 1], "i1")
        filled = values.cast(pa.int8()).fill_null(-1).to_numpy()
    else:
        variable = dataset.createVariable(field["name"], "i8", ("row",), fill_value=NO_COUNT, compression="zlib")
        if kind == "datetime":
            attributes |= {"units": "microseconds since 1970-01-01T00:00:00Z", "calendar": "standard"}
        filled = values.cast(pa.int64()).fill_null(NO_COUNT).to_numpy()
    variable.setncatts(attributes)
    if len(filled):
        variable[:] = filled
