"""Bytes of a CSV file to columns of text. Guesses no type: a cell is missing only when it is blank."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pcsv
from numpy.typing import NDArray

from stillwell.intake.limits import LONGEST_LINE, MOST_COLUMNS, MOST_TABLE_ROWS
from stillwell.intake.trouble import CannotRead

DELIMITERS = (",", ";", "\t")
WORDS = {",": "comma", ";": "semicolon", "\t": "tab"}
_MARKS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16", b"PK\x03\x04": "a zip or workbook"}


@dataclass(frozen=True)
class Sheet:
    """A table of text: one array per column, and the line each row began on."""

    header: tuple[str, ...]
    cells: tuple[pa.StringArray, ...]
    lines: NDArray[np.int64]
    delimiter: str = ","
    remarks: tuple[str, ...] = ()


def read_csv(data: bytes) -> Sheet:
    """Read a CSV file.

    Parameters
    ----------
    data : bytes
        UTF-8 with or without a byte order mark; lines end in LF or CRLF; cells are separated by the comma, semicolon
        or tab that the header holds most of.

    Returns
    -------
    Sheet
        Cells without outer spaces; entirely blank rows are left out.

    Raises
    ------
    CannotRead
        If it is not such a file; names the line.
    """
    check_lines(data)
    text = _decoded(data)
    first = _first_line(text)
    if not first:
        raise CannotRead("a header line", "an empty file")
    delimiter = max(DELIMITERS, key=first.count)
    remarks = () if delimiter == "," else (f"cells are separated by {WORDS[delimiter]}s",)
    if first.count(delimiter) >= MOST_COLUMNS:
        raise CannotRead(f"at most {MOST_COLUMNS} columns", f"{first.count(delimiter) + 1}", 1)
    plain = '"' not in text and any(name.strip() for name in first.split(delimiter))
    quick = None if not plain else _quick(data, text, first, delimiter, remarks)
    return quick or _careful(text, delimiter, remarks)


def check_lines(data: bytes, most: int = MOST_TABLE_ROWS) -> None:
    """Refuse a line that is longer than a table's can be, and too many, before a byte of them is cut into cells.

    Parameters
    ----------
    data : bytes
    most : int
        Lines there may be.

    Raises
    ------
    CannotRead
        If there is one; names it.
    """
    count = max(data.count(b"\n"), data.count(b"\r"))
    if count > most:
        raise CannotRead(f"at most {most} lines", str(count))
    begin = 0
    while begin + LONGEST_LINE < len(data):
        window = data[begin : begin + LONGEST_LINE + 1]
        end = max(window.rfind(b"\n"), window.rfind(b"\r"))
        if end < 0:
            before = data[:begin]
            line = before.count(b"\n") + before.count(b"\r") - before.count(b"\r\n") + 1
            raise CannotRead(f"lines of at most {LONGEST_LINE} bytes", "a longer one", line)
        begin += end + 1


def _first_line(text: str) -> str:
    """Return the first line that is not blank; a line ends where the readers of CSV say it ends."""
    rows = (found[0] for found in re.finditer(r"[^\r\n]+", text))
    return next((row for row in rows if row.strip()), "")


def _decoded(data: bytes) -> str:
    for mark, kind in _MARKS.items():
        if data.startswith(mark):
            raise CannotRead("UTF-8 text", kind)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"the byte 0x{data[error.start]:02X} at offset {error.start}; saved in another encoding?"
        raise CannotRead("UTF-8 text", found, line) from error
    if "\0" in text:
        raise CannotRead("text", "a NUL character", text.count("\n", 0, text.index("\0")) + 1)
    return text


def _quick(data: bytes, text: str, first: str, delimiter: str, remarks: tuple[str, ...]) -> Sheet | None:
    """Read a plain file, one row a line; None when it is not plain, for the careful reader to find out why."""
    if not text.startswith(first) or text.count("\r") != text.count("\r\n"):
        return None
    header = checked_header(first.split(delimiter))
    ragged: list[int] = []

    def skip(row: pcsv.InvalidRow) -> str:
        ragged.append(1)
        return "skip"

    # a byte order mark is left out of the text; without one the bytes themselves are read
    body = pa.BufferReader(data.removeprefix(codecs.BOM_UTF8))
    try:
        table = pcsv.read_csv(
            body,
            pcsv.ReadOptions(column_names=list(map(str, range(len(header)))), skip_rows=1, use_threads=True),
            pcsv.ParseOptions(
                delimiter=delimiter, quote_char=False, ignore_empty_lines=False, invalid_row_handler=skip
            ),
            pcsv.ConvertOptions(
                column_types={str(i): pa.string() for i in range(len(header))}, strings_can_be_null=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    if ragged:
        return None
    cells = [pc.utf8_trim_whitespace(column.combine_chunks()) for column in table.columns]
    return _without_blank_rows(header, cells, np.arange(2, table.num_rows + 2), delimiter, remarks)


def _careful(text: str, delimiter: str, remarks: tuple[str, ...]) -> Sheet:
    """Read a file whose quoted cells may hold delimiters and line ends."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    header: tuple[str, ...] | None = None
    line = 1
    try:
        for row in reader:
            at, line = line, reader.line_num + 1
            if not any(cell.strip() for cell in row):
                continue
            if header is None:
                header = checked_header(row)
                continue
            if len(row) != len(header):
                hint = (
                    "; decimal commas in a file separated by commas?"
                    if delimiter == "," and len(row) > len(header)
                    else ""
                )
                raise CannotRead(f"{len(header)} cells, as in the header", f"{len(row)}{hint}", at)
            rows.append(row)
            lines.append(at)
    except csv.Error as error:
        raise CannotRead("a row of quoted and plain cells", str(error), line) from error
    if header is None:
        raise CannotRead("a header line", "nothing but blank cells")
    columns = list(zip(*rows, strict=True)) if rows else [() for _ in header]
    cells = [pc.utf8_trim_whitespace(pa.array(column, pa.string())) for column in columns]
    return Sheet(header, tuple(cells), np.array(lines, dtype=np.int64), delimiter, remarks)


def checked_header(row: list[str]) -> tuple[str, ...]:
    """Read a header: names in lower case without outer spaces; the same name twice cannot be read."""
    if len(row) > MOST_COLUMNS:
        raise CannotRead(f"at most {MOST_COLUMNS} columns", str(len(row)), 1)
    names = tuple(name.strip().lower() for name in row)
    twice = sorted(name for name, count in Counter(names).items() if name and count > 1)
    if twice:
        raise CannotRead("every column once", f"{', '.join(twice)} more than once", 1)
    return names


def _without_blank_rows(
    header: tuple[str, ...],
    cells: list[pa.StringArray],
    lines: NDArray[np.int64],
    delimiter: str,
    remarks: tuple[str, ...],
) -> Sheet:
    filled = pc.not_equal(cells[0], "")
    for column in cells[1:]:
        if pc.all(filled, min_count=0).as_py():
            break
        filled = pc.or_(filled, pc.not_equal(column, ""))
    if not pc.all(filled, min_count=0).as_py():
        cells = [column.filter(filled) for column in cells]
        lines = lines[filled.to_numpy(zero_copy_only=False)]
    return Sheet(header, tuple(cells), lines, delimiter, remarks)
