"""Bytes of a CSV file in our own layout to columns of text. Guesses no type: a cell is missing only when it is blank.

Rows are read as those of a file that a map describes (``maps.text``): by ``fast_csv`` where every row is a line, which
takes a tenth of the time, else by ``quoted_csv``. The rules around the rows differ, and are therefore here and there:
the delimiter is found in the header, the header is the first line that is not blank, no name stands in it twice, and
every row has as many cells as it; a map states the delimiter, the encoding, the line of the header, and words for
blank cells.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import sys
from collections import Counter
from collections.abc import Iterable, Iterator

import numpy as np

from stillwell.intake.limits import LONGEST_LINE, MOST_COLUMNS, MOST_TABLE_ROWS
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.fast_csv import AT_ONCE, Lines, quick_columns, without_blank_rows
from stillwell.intake.readers.quoted_csv import numbered_rows, text_columns
from stillwell.intake.readers.sheet import Sheet

DELIMITERS = (",", ";", "\t")
WORDS = {",": "comma", ";": "semicolon", "\t": "tab"}
_LINE = re.compile(rb"[^\r\n]+")
_MARKS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16", b"PK\x03\x04": "a zip or workbook"}


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
    notes = () if delimiter == "," else (f"cells are separated by {WORDS[delimiter]}s",)
    if first.count(delimiter) >= MOST_COLUMNS:
        raise CannotRead(f"at most {MOST_COLUMNS} columns", f"{first.count(delimiter) + 1}", 1)
    return _read_lines(data, delimiter, notes) or _read_quoted(data, delimiter, notes)


def check_lines(data: bytes, most: int = MOST_TABLE_ROWS) -> None:
    """Refuse too many lines, and a line longer than a row can be, before any is cut into cells.

    Parameters
    ----------
    data : bytes
    most : int
        The number of lines allowed.

    Raises
    ------
    CannotRead
        If there are; names the line that is too long.
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
    """Return the first line that is not blank; a line ends with CR, LF or both, as for the csv module."""
    begin = len(codecs.BOM_UTF8) if data.startswith(codecs.BOM_UTF8) else 0
    rows = (match[0].decode("utf-8") for match in _LINE.finditer(data, begin))
    return next((row for row in rows if row.strip()), "")


def _check_text(data: bytes) -> None:
    """Refuse bytes that are no text in UTF-8; decoded in pieces, so that the text is not in memory beside its bytes."""
    for mark, kind in _MARKS.items():
        if data.startswith(mark):
            raise CannotRead("UTF-8 text", kind)
    if not _is_utf8(data):
        try:
            data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data.count(b"\n", 0, error.start) + 1
            byte = f"the byte 0x{data[error.start]:02X} at offset {error.start}"
            advice = "save it as UTF-8, or name its encoding in a map"
            raise CannotRead("UTF-8 text", f"{byte}; {advice}", line) from error
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


def _read_lines(data: bytes, delimiter: str, notes: tuple[str, ...]) -> Sheet | None:
    """Read a file whose rows are lines; None where some are not, which ``_read_quoted`` reads or refuses."""
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
    rows = quick_columns(lines, np.arange(len(lines)) > head, len(header), delimiter)
    if rows is None or len(rows[0]) != len(header):
        return None
    columns, at = without_blank_rows(*rows)
    return Sheet(header, tuple(columns), at, delimiter, notes)


def _names(header: str, delimiter: str) -> list[str]:
    """Read the cells of a header; none where they are no row by themselves."""
    try:
        return [] if header.count('"') % 2 else next(csv.reader([header], delimiter=delimiter, strict=True))
    except csv.Error:
        return []


def _read_quoted(data: bytes, delimiter: str, notes: tuple[str, ...]) -> Sheet:
    """Read a file whose quoted cells may hold delimiters and line ends."""
    text = io.TextIOWrapper(io.BytesIO(data), "utf-8-sig", newline="")
    rows = numbered_rows(text, delimiter, range(1, sys.maxsize))
    filled = ((line, row) for line, row in rows if any(cell.strip() for cell in row))
    _, first = next(filled, (0, None))
    if first is None:
        raise CannotRead("a header line", "nothing but blank cells")
    header = checked_header(first)
    lines: list[int] = []
    cells = text_columns(_of_width(filled, len(header), delimiter, lines), len(header))
    return Sheet(header, tuple(cells), np.array(lines, dtype=np.int64), delimiter, notes)


def _of_width(
    rows: Iterable[tuple[int, list[str]]], width: int, delimiter: str, lines: list[int]
) -> Iterator[list[str]]:
    """Pass on rows of as many cells as the header has, and append the line of each to ``lines``."""
    for line, row in rows:
        if len(row) != width:
            commas = delimiter == "," and len(row) > width
            hint = "; decimal commas in a file separated by commas?" if commas else ""
            raise CannotRead(f"{width} cells, as in the header", f"{len(row)}{hint}", line)
        lines.append(line)
        yield row


def checked_header(row: list[str]) -> tuple[str, ...]:
    """Read a header: names in lower case without outer spaces; the same name twice cannot be read."""
    if len(row) > MOST_COLUMNS:
        raise CannotRead(f"at most {MOST_COLUMNS} columns", str(len(row)), 1)
    names = tuple(name.strip().lower() for name in row)
    twice = sorted(name for name, count in Counter(names).items() if name and count > 1)
    if twice:
        raise CannotRead("every column once", f"{', '.join(twice)} more than once", 1)
    return names
