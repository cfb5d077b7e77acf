"""Answers as text: table, CSV, JSON. Rounds for people only in the table; writes nothing itself."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import pyarrow as pa

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A cell that starts so is run by a spreadsheet; text like that is exported with an apostrophe before it."""


def as_table(rows: Sequence[dict[str, Any]], headings: Sequence[str]) -> str:
    """Lay rows out in columns for a person, numbers to the right."""
    if not headings:
        return ""
    cells = [[_cell(row.get(name)) for name in headings] for row in rows]
    widths = [max(len(h), *(len(c[i]) for c in cells)) if cells else len(h) for i, h in enumerate(headings)]
    right = [all(isinstance(r.get(h), (int, float)) or r.get(h) is None for r in rows) and bool(rows) for h in headings]
    lines = [[*headings], ["-" * w for w in widths], *cells]
    return "\n".join(
        "  ".join(c.rjust(w) if r else c.ljust(w) for c, w, r in zip(line, widths, right, strict=True)).rstrip()
        for line in lines
    )


def answer_as_table(table: pa.Table) -> str:
    """Lay an answer out in columns for a person."""
    return as_table(table.to_pylist(), table.column_names)


def as_csv(table: pa.Table) -> str:
    """Write an answer as CSV; times in ISO 8601, missing cells empty, no cell that a spreadsheet would run."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_harmless(name) for name in table.column_names)
    writer.writerows([_plain(v) for v in row.values()] for row in table.to_pylist())
    return out.getvalue()


def as_json(table: pa.Table) -> str:
    """Write an answer as a JSON array of row objects; missing is null."""
    return json.dumps(
        [{k: _jsonable(v) for k, v in row.items()} for row in table.to_pylist()], ensure_ascii=False, indent=1
    )


def time_text(value: datetime) -> str:
    """Write an instant in UTC, to the second unless it holds a fraction."""
    text = value.isoformat()
    return text.removesuffix("+00:00") + "Z" if text.endswith("+00:00") else text


def _jsonable(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, (int, float, str, type(None))) else _text(value)


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, (bool, int, float)):
        return value
    return _harmless(_text(value))


def _harmless(text: str) -> str:
    return "'" + text if text.startswith(FORMULA_STARTS) else text


def _text(value: Any) -> str:
    return time_text(value) if isinstance(value, datetime) else str(value)


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float):
        return significant(value)
    return _text(value)


def significant(value: float, digits: int = 4) -> str:
    """Round for the eye to some significant figures, halves to even, without an exponent where that is short."""
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{value:.{max(places, 0)}f}" if places < 12 else f"{value:.{digits}g}"
