"""Answers as text: table, CSV, JSON. Rounds for people only in the table; writes nothing itself."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pyarrow as pa

from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import columns

COORDINATES = frozenset(
    column.name
    for model in ARCHIVE_TABLES.values()
    for column in columns(model)
    if column.units in ("degrees_north", "degrees_east")
)
"""Columns that say where something is; they are never rounded."""
FORMULA_SIGNS = r"=+\-@\uff1d\uff0b\uff0d\uff20"
"""A cell that begins with one of these, or with its wide form, is run by a spreadsheet; so is one after a tab."""
_RUN = re.compile(rf"(^|[;\t\r\n])(?=[ \u3000]*[{FORMULA_SIGNS}])|^(?=[\t\r\n])")
"""Where text is exported with an apostrophe put in: at its start, and after whatever a spreadsheet that separates
cells otherwise may take for the end of one."""


def as_table(rows: Sequence[dict[str, Any]], headings: Sequence[str]) -> str:
    """Lay rows out in columns for a person, numbers to the right."""
    if not headings:
        return ""
    cells = [[_cell(row.get(name), whole=name in COORDINATES) for name in headings] for row in rows]
    widths = [max(len(h), *(len(c[i]) for c in cells)) if cells else len(h) for i, h in enumerate(headings)]
    right = [all(isinstance(r.get(h), (int, float)) or r.get(h) is None for r in rows) and bool(rows) for h in headings]
    lines = [[_visible(name) for name in headings], ["-" * w for w in widths], *cells]
    return "\n".join(
        "  ".join(c.rjust(w) if r else c.ljust(w) for c, w, r in zip(line, widths, right, strict=True)).rstrip()
        for line in lines
    )


def answer_as_table(table: pa.Table) -> str:
    """Lay an answer out in columns for a person."""
    return as_table(_rows(table), table.column_names)


def as_csv(table: pa.Table) -> str:
    """Write an answer as CSV; times in ISO 8601, missing cells empty, no cell that a spreadsheet would run."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_harmless(name) for name in table.column_names)
    columns = [[_plain(value) for value in _values(column)] for column in table.columns]
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


def as_json(table: pa.Table) -> str:
    """Write an answer as a JSON array of row objects; missing is null."""
    return json.dumps([{k: _jsonable(v) for k, v in row.items()} for row in _rows(table)], ensure_ascii=False, indent=1)


def _rows(table: pa.Table) -> list[dict[str, Any]]:
    columns = [_values(column) for column in table.columns]
    return [dict(zip(table.column_names, cells, strict=True)) for cells in zip(*columns, strict=True)]


def _values(column: pa.ChunkedArray) -> list[Any]:
    """Return the values of a column; Arrow would import pandas to give a time its zone."""
    kind = column.type
    if not pa.types.is_timestamp(kind) or kind.tz != "UTC" or kind.unit == "ns":
        values: list[Any] = column.to_pylist()
        return values
    times = column.cast(pa.timestamp(kind.unit)).to_pylist()
    return [None if time is None else time.replace(tzinfo=UTC) for time in times]


def time_text(value: datetime) -> str:
    """Write an instant in UTC, to the second unless it holds a fraction."""
    text = value.isoformat()
    return text.removesuffix("+00:00") + "Z" if text.endswith("+00:00") else text


def _jsonable(value: Any) -> Any:
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, (int, float, str, type(None))) else _text(value)


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, (bool, int, float)):
        return value
    if isinstance(value, Decimal):
        return f"{value:f}"
    return _harmless(_text(value))


def _harmless(text: str) -> str:
    # a bare carriage return would end the row
    return _RUN.sub(r"\1'", text.replace("\r\n", "\n").replace("\r", "\n"))


def _text(value: Any) -> str:
    return time_text(value) if isinstance(value, datetime) else str(value)


def _cell(value: Any, *, whole: bool = False) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float):
        return str(value) if whole else significant(value)
    return _visible(_text(value))


def _visible(text: str) -> str:
    """Spell out characters that a terminal would act on, that end a line, or that change direction."""
    return "".join(c if c.isprintable() or c == "\u00a0" else f"\\u{ord(c):04x}" for c in text)


def significant(value: float, digits: int = 4) -> str:
    """Round for the eye to some significant figures, halves to even, without an exponent where that is short."""
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{value:.{max(places, 0)}f}" if places < 12 else f"{value:.{digits}g}"
