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
from numpy.typing import NDArray

from stillwell.intake.limits import LONGEST_LINE, MOST_COLUMNS, MOST_TABLE_ROWS
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.fast_csv import AT_ONCE, Lines, quick_columns

DELIMITERS = (",", ";", "\t")
WORDS = {",": "comma", ";": "semicolon", "\t": "tab"}
ROWS_AT_ONCE = 2**14
"""Rows held as Python text by the careful reader."""
_LINE = re.compile(rb"[^\r\n]+")
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
    _check_text(data)
    first = _first_line(data)
    if not first:
        raise CannotRead("a header line", "an empty file")
    delimiter = max(DELIMITERS, key=first.count)
    remarks = () if delimiter == "," else (f"cells are separated by {WORDS[delimiter]}s",)
    if first.count(delimiter) >= MOST_COLUMNS:
        raise CannotRead(f"at most {MOST_COLUMNS} columns", f"{first.count(delimiter) + 1}", 1)
    return _quick(data, delimiter, remarks) or _careful(data, delimiter, remarks)


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


def _first_line(data: bytes) -> str:
    """Return the first line that is not blank; a line ends where the readers of CSV say it ends."""
    begin = len(codecs.BOM_UTF8) if data.startswith(codecs.BOM_UTF8) else 0
    rows = (found[0].decode("utf-8") for found in _LINE.finditer(data, begin))
    return next((row for row in rows if row.strip()), "")


def _check_text(data: bytes) -> None:
    """Refuse bytes that are no text in UTF-8; looked at in pieces, so that a text is not held beside its bytes."""
    for mark, kind in _MARKS.items():
        if data.startswith(mark):
            raise CannotRead("UTF-8 text", kind)
    if not _is_utf8(data):
        try:
            data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data.count(b"\n", 0, error.start) + 1
            byte = f"the byte 0x{data[error.start]:02X} at offset {error.start}"
            found = f"{byte}; save it as UTF-8, or name its encoding in a map"
            raise CannotRead("UTF-8 text", found, line) from error
    if b"\0" in data:
        raise CannotRead("text", "a NUL character", data.count(b"\n", 0, data.index(b"\0")) + 1)


def _is_utf8(data: bytes) -> bool:
    if data.isascii():
        return True
    decoder, view = codecs.getincrementaldecoder("utf-8-sig")(), memoryview(data)
    try:
        for at in range(0, len(data), AT_ONCE):
            decoder.decode(view[at : at + AT_ONCE])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _quick(data: bytes, delimiter: str, remarks: tuple[str, ...]) -> Sheet | None:
    """Read a file whose rows are lines; None where some are not, for the careful reader to find out why."""
    body = data.removeprefix(codecs.BOM_UTF8)
    if b"\r" in body:
        if body.count(b"\r") != body.count(b"\r\n"):
            return None
        body = body.replace(b"\r\n", b"\n")
    lines = Lines.of(body)
    head = next(place for place in range(len(lines)) if lines.text(place).strip())
    names = _names(lines.text(head), delimiter)
    if not any(name.strip() for name in names):
        return None
    header = checked_header(names)
    keep = ~lines.empty()
    keep[: head + 1] = False
    at = np.flatnonzero(keep) + 1
    cells = quick_columns(lines.kept(keep), at.size, len(header), delimiter)
    if cells is None or len(cells) != len(header):
        return None
    return _without_blank_rows(header, list(cells), at, delimiter, remarks)


def _names(header: str, delimiter: str) -> list[str]:
    """Read the cells of a header; none where they are no row by themselves."""
    try:
        return [] if header.count('"') % 2 else next(csv.reader([header], delimiter=delimiter, strict=True))
    except csv.Error:
        return []


def _careful(data: bytes, delimiter: str, remarks: tuple[str, ...]) -> Sheet:
    """Read a file whose quoted cells may hold delimiters and line ends."""
    # a row of Python text takes tens of times its bytes: some rows at a time become columns
    text = io.TextIOWrapper(io.BytesIO(data), "utf-8-sig", newline="")
    reader = csv.reader(text, delimiter=delimiter, strict=True)
    rows: list[list[str]] = []
    parts: list[list[pa.StringArray]] = []
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
            if len(rows) == ROWS_AT_ONCE:
                parts.append(_columns(rows))
                rows = []
    except csv.Error as error:
        raise CannotRead("a row of quoted and plain cells", str(error), line) from error
    if header is None:
        raise CannotRead("a header line", "nothing but blank cells")
    parts += [_columns(rows)] if rows else [[pa.array([], pa.string())] * len(header)]
    cells = [pa.concat_arrays(column) for column in zip(*parts, strict=True)]
    return Sheet(header, tuple(cells), np.array(lines, dtype=np.int64), delimiter, remarks)


def _columns(rows: list[list[str]]) -> list[pa.StringArray]:
    return [pc.utf8_trim_whitespace(pa.array(column, pa.string())) for column in zip(*rows, strict=True)]


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
