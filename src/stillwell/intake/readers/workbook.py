"""Sheets of a workbook to columns of text. Runs nothing, follows nothing; a cell that computes is refused."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

import numpy as np
import pyarrow as pa

from stillwell.intake.limits import MOST_COLUMNS, MOST_ROWS
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.csv_text import checked_header
from stillwell.intake.readers.sheet import Sheet
from stillwell.intake.readers.workbook_parts import SHEETS, Merged, Part, check_parts
from stillwell.intake.values.wall_times import STATED_OFFSET
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.derive import columns as columns_of

READ_ME = "READ ME"
"""Sheet of a template that is words to a person."""
EXAMPLE = "example"
"""How the names of sheets begin that show how a table is filled in."""
OFFSET = "offset"
"""Sheet of one cell under its header: the offset from UTC that date cells of the workbook are in."""


def read_workbook(data: bytes) -> list[tuple[str, Sheet | CannotRead]]:
    """Read every sheet of a workbook.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    list of (str, Sheet or CannotRead)
        Name and cells as text, or why the sheet cannot be read; numbers with all their digits, date cells as times with
        the offset that the sheet ``offset`` states. Empty sheets are left out, and so is what a template says.

    Raises
    ------
    CannotRead
        If it is no workbook, is too large or declares entities, or its offset is none.
    """
    parts = check_parts(data)
    import openpyxl

    try:
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
        visible = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"]
        offset = next((_offset(sheet) for sheet in visible if _plain(sheet.title) == OFFSET), "")
        names = [sheet.title for sheet in visible if not shown_only(sheet.title)]
        read = [(name, _read(name, book[name], parts, offset)) for name in names]
    except CannotRead:
        raise
    except Exception as error:
        raise CannotRead("a workbook that can be opened", f"{type(error).__name__}: {error}") from error
    return [(name, sheet) for name, sheet in read if sheet is not None]


def _read(name: str, sheet: Any, parts: Mapping[str, Part], offset: str) -> Sheet | CannotRead | None:
    """Read a sheet, or say why it cannot be read; the others of the workbook are read all the same."""
    where, texts = sheet._worksheet_path.lstrip("/"), len(sheet._shared_strings)
    try:
        if where not in parts:
            raise CannotRead(f"sheets among {SHEETS}", f"sheet {name} in {where}")
        part = parts[where]
        if part.text >= texts:
            actual = f"number {part.text} in sheet {name}, cell {part.text_cell}"
            raise CannotRead(f"the number of one of the {texts} texts of the workbook", actual)
        return _sheet(name, sheet, part.merged, offset)
    except CannotRead as reason:
        return reason


def _offset(sheet: Any) -> str:
    """Read the offset from UTC that date cells of the workbook are in."""
    for row in sheet.iter_rows(max_row=20, max_col=20, values_only=True):
        cells = [str(value).strip() for value in row if value is not None]
        if cells and cells[0].lower() != OFFSET:
            if len(cells) == 1 and is_offset(cells[0]):
                return "+00:00" if cells[0] == "Z" else cells[0]
            raise CannotRead(f"an offset from UTC such as +02:00 in sheet {OFFSET}", repr(cells[0])[:60])
    return ""


def is_offset(text: str) -> bool:
    """Say whether a text is an offset from UTC as the sheet ``offset`` holds it."""
    return text == "Z" or STATED_OFFSET.fullmatch(text) is not None


def _plain(name: str) -> str:
    return name.strip().lower()


def shown_only(name: str) -> bool:
    """Say whether a sheet of that name only tells or shows something and is never read."""
    plain = _plain(name)
    return plain in (READ_ME.lower(), OFFSET) or plain.startswith(f"{EXAMPLE} ")


def _sheet(name: str, sheet: Any, merged: Sequence[Merged], offset: str) -> Sheet | None:
    rows: list[list[str]] = []
    lines: list[int] = []
    header: tuple[str, ...] | None = None
    times: frozenset[str] = frozenset()
    # what a sheet says of its own size may be less than it holds, and rows would be lost
    sheet.reset_dimensions()
    spread = _Spread(name, merged)
    for number, row in enumerate(sheet.iter_rows(), 1):
        if number > MOST_ROWS:
            raise CannotRead(f"at most {MOST_ROWS} rows in sheet {name}", "more", number)
        if len(row) > MOST_COLUMNS:
            raise CannotRead(f"at most {MOST_COLUMNS} columns in sheet {name}", str(len(row)), number)
        if header is None:
            cells = [_text(name, cell) for cell in row]
            if any(cells):
                header, times = checked_header(cells), times_of(name)
                spread.begin(number)
            continue
        names = [*header, *[""] * (len(row) - len(header))]
        pairs = zip(row, names, strict=False)
        cells = [_text(name, cell, offset if column in times else None) for cell, column in pairs]
        cells += [""] * (len(header) - len(cells))
        blank = not any(cells)
        spread.fill(number, cells)
        if blank:
            continue
        if any(cells[len(header) :]):
            raise CannotRead(f"{len(header)} cells, as in the header of sheet {name}", str(len(cells)), number)
        rows.append(cells[: len(header)])
        lines.append(number)
    if header is None:
        return None
    columns = list(zip(*rows, strict=True)) if rows else [() for _ in header]
    return Sheet(header, tuple(pa.array(c, pa.string()) for c in columns), np.array(lines, dtype=np.int64))


def times_of(name: str) -> frozenset[str]:
    """Name the columns of a table that hold times."""
    model = DEPOSIT_TABLES.get(_plain(name))
    return frozenset() if model is None else frozenset(c.name for c in columns_of(model) if c.kind == "time")


class _Spread:
    """The values of merged cells, spread over the rows they cover."""

    def __init__(self, sheet: str, merged: Sequence[Merged]) -> None:
        self._sheet = sheet
        self._merged = merged
        self._begins: dict[int, list[tuple[int, int]]] = {}
        self._open: dict[int, tuple[int, str]] = {}

    def begin(self, header: int) -> None:
        """Look at the merged cells under the header."""
        for range_ in self._merged:
            if range_.last_row <= header:
                continue
            where = f"{range_.first_column}{range_.first_row}:{range_.last_column}{range_.last_row}"
            if range_.first_column != range_.last_column or range_.first_row <= header:
                actual = f"{where} in sheet {self._sheet}"
                raise CannotRead("cells merged downwards only, under the header", actual, range_.first_row)
            place = _number_of(range_.first_column) - 1
            self._begins.setdefault(range_.first_row, []).append((place, range_.last_row))

    def fill(self, row: int, cells: list[str]) -> None:
        """Fill the empty cells of a row that are part of a merged one."""
        for place, (last, value) in list(self._open.items()):
            if row > last:
                del self._open[place]
            elif place < len(cells) and not cells[place]:
                cells[place] = value
        for place, last in self._begins.get(row, ()):
            if place < len(cells):
                self._open[place] = (last, cells[place])


def _number_of(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number


def _text(sheet: str, cell: Any, offset: str | None = None) -> str:
    """Return a cell as text; ``offset`` is given where it may hold a time, empty where the workbook states none."""
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "f" or (isinstance(value, str) and value.startswith("=")):
        raise CannotRead("values", f"a formula in sheet {sheet}, cell {cell.coordinate}", cell.row, cell.column_letter)
    if isinstance(value, datetime) and offset is not None:
        moment = value.isoformat(timespec="milliseconds" if value.microsecond else "seconds")
        # without an offset it is no time, and becomes a problem of its gauging like any other cell that holds none
        return moment + offset if offset else f"{moment} (date cell {cell.coordinate}, no offset in sheet {OFFSET})"
    if isinstance(value, datetime | date | time):
        actual = f"a date cell in sheet {sheet}, cell {cell.coordinate}"
        raise CannotRead("dates only where a table has a time with its hour", actual, cell.row)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return repr(value) if isinstance(value, float) else str(value).strip()
