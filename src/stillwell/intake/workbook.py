"""Sheets of a workbook to columns of text. Runs nothing, follows nothing; a cell that computes is refused."""

from __future__ import annotations

import io
from datetime import date, datetime, time
from typing import Any

import numpy as np
import pyarrow as pa

from stillwell.intake.csv_text import Sheet, checked_header
from stillwell.intake.limits import MOST_COLUMNS, MOST_ROWS
from stillwell.intake.trouble import CannotRead
from stillwell.intake.workbook_parts import check_parts

READ_ME = "READ ME"
"""Sheet of a template that is words to a person."""
EXAMPLE = "example"
"""How the names of sheets begin that show how a table is filled in."""


def read_workbook(data: bytes) -> list[tuple[str, Sheet]]:
    """Read every sheet of a workbook.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    list of (str, Sheet)
        Name and cells as text; numbers with all their digits. Empty sheets are left out, and so is what a template
        says and shows.

    Raises
    ------
    CannotRead
        If it is no workbook, is too large, declares entities, or a cell holds a formula or a date without offset.
    """
    check_parts(data)
    import openpyxl

    try:
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
        names = [
            sheet.title for sheet in book.worksheets if sheet.sheet_state == "visible" and not shown_only(sheet.title)
        ]
        return [(name, sheet) for name in names if (sheet := _sheet(name, book[name])) is not None]
    except CannotRead:
        raise
    except Exception as error:
        raise CannotRead("a workbook that can be opened", f"{type(error).__name__}: {error}") from error


def shown_only(name: str) -> bool:
    """Say whether a sheet of that name only tells or shows something and is never read."""
    plain = name.strip().lower()
    return plain == READ_ME.lower() or plain.startswith(f"{EXAMPLE} ")


def _sheet(name: str, sheet: Any) -> Sheet | None:
    rows: list[list[str]] = []
    lines: list[int] = []
    header: tuple[str, ...] | None = None
    # what a sheet says of its own size may be less than it holds, and rows would be lost
    sheet.reset_dimensions()
    for number, row in enumerate(sheet.iter_rows(), 1):
        if number > MOST_ROWS:
            raise CannotRead(f"at most {MOST_ROWS} rows in sheet {name}", "more", number)
        if len(row) > MOST_COLUMNS:
            raise CannotRead(f"at most {MOST_COLUMNS} columns in sheet {name}", str(len(row)), number)
        cells = [_text(name, cell) for cell in row]
        if not any(cells):
            continue
        if header is None:
            header = checked_header(cells)
            continue
        cells += [""] * (len(header) - len(cells))
        if any(cells[len(header) :]):
            raise CannotRead(f"{len(header)} cells, as in the header of sheet {name}", str(len(cells)), number)
        rows.append(cells[: len(header)])
        lines.append(number)
    if header is None:
        return None
    columns = list(zip(*rows, strict=True)) if rows else [() for _ in header]
    return Sheet(header, tuple(pa.array(c, pa.string()) for c in columns), np.array(lines, dtype=np.int64))


def _text(sheet: str, cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "f" or (isinstance(value, str) and value.startswith("=")):
        raise CannotRead("values", f"a formula in sheet {sheet}, cell {cell.coordinate}", cell.row, cell.column_letter)
    if isinstance(value, datetime | date | time):
        found = f"a date cell without offset in sheet {sheet}, cell {cell.coordinate}"
        raise CannotRead("times as text with their offset, as in 2025-05-01T10:00+02:00", found, cell.row)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return repr(value) if isinstance(value, float) else str(value).strip()
