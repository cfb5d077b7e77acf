"""Text files of another layout to columns of text under their foreign names. Knows no table of ours."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import PurePosixPath

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from stillwell.intake.limits import MOST_COLUMNS, MOST_ROWS
from stillwell.intake.maps.map_file import FIELD, FileLayout
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.csv_text import check_lines
from stillwell.intake.readers.fast_csv import Lines, quick_columns, without_blank_rows
from stillwell.intake.readers.quoted_csv import WRONG_ROW, numbered_rows, text_columns
from stillwell.intake.readers.sheet import Sheet

_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_UTF8 = b"\xef\xbb\xbf"


def read_foreign(path: str, data: bytes, layout: FileLayout) -> Sheet:
    """Read a file as a map describes it.

    Parameters
    ----------
    path : str
    data : bytes
    layout : FileLayout

    Returns
    -------
    Sheet
        Without columns that have no name. Fields above the header and in the file's name are columns too, the same in
        every row.

    Raises
    ------
    CannotRead
        If the file is not written so; names the line where there is one.
    """
    check_lines(data)
    lines = Lines.of(_utf8(data, layout.encoding))
    head = layout.header_line
    if head and (len(lines) < head or not lines.text(head - 1).strip()):
        raise CannotRead(f"a header on line {head}, as the map says", "none", head)
    keep = np.ones(len(lines), dtype=bool)
    keep[: max(head - 1, 0)] = False
    if layout.footer_lines:
        keep[max(head, len(lines) - layout.footer_lines) :] = False
    notes = []
    for beginning in layout.comments:
        passed = keep & lines.begin_with(beginning)
        passed[:head] = False
        if passed.any():
            notes.append(f"lines passed over that begin with {beginning!r}: {passed.sum():,}")
        keep &= ~passed
    names, cells, at = _read_lines(lines, keep, layout) or _read_quoted(lines, keep, layout)
    columns = [(name, column) for name, column in zip(names, cells, strict=True) if name]
    above = [lines.text(i) for i in range(max(head - 1, 0))]
    fields = _above(above, layout) | _in_name(path, layout)
    for name, value in fields.items():
        if name in names:
            raise CannotRead(f"one place for {name!r}", "a column and a field of that name", layout.header_line, name)
        columns.append((name, pa.repeat(value, at.size)))
    header, texts = zip(*columns, strict=True) if columns else ((), ())
    return Sheet(header, texts, at, layout.delimiter, tuple(notes))


def _utf8(data: bytes, encoding: str) -> bytes:
    """Return a text in UTF-8 with lines that end in LF."""
    marked = "UTF-16" if data.startswith(_UTF16) else "UTF-8" if data.startswith(_UTF8) else ""
    if marked and marked.lower() != encoding:
        raise CannotRead(f"{encoding} text, as the map says", f"the mark of {marked}", 1)
    if encoding == "utf-16" and not marked:
        raise CannotRead("utf-16 text with its byte order mark", "none", 1)
    try:
        text = data.decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        actual = f"the byte 0x{data[error.start]:02X} at offset {error.start}"
        raise CannotRead(f"{encoding} text, as the map says", actual, line) from error
    control = re.search(r"[\x00\x80-\x84\x86-\x9f]" if encoding == "latin-1" else r"\x00", text)
    if control:
        line = text.count("\n", 0, control.start()) + 1
        actual = f"the control character 0x{ord(control[0]):02X}; saved in another encoding?"
        raise CannotRead(f"{encoding} text, as the map says", actual, line)
    plain = data.removeprefix(_UTF8) if encoding == "utf-8" else text.encode("utf-8")
    return plain.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in plain else plain


Body = tuple[list[str], Sequence[pa.StringArray], NDArray[np.int64]]
"""Names of the header, columns of text, and the line each row began on."""


def _read_lines(lines: Lines, keep: NDArray[np.bool_], layout: FileLayout) -> Body | None:
    """Read a file whose rows are lines; None when some are not, or something is wrong in it."""
    names = list(layout.header)
    if layout.header_line:
        header = lines.text(layout.header_line - 1)
        if header.count('"') % 2:
            return None
        names = _names(header, layout)
    below = np.arange(len(lines)) >= layout.first_line - 1
    rows = quick_columns(lines, keep & below, len(names), layout.delimiter)
    if rows is None:
        return None
    cells, at = rows
    cells = [_without(column, layout.blank) for column in cells]
    if any(pc.any(pc.not_equal(column, ""), min_count=0).as_py() for column in cells[len(names) :]):
        return None
    return names, *without_blank_rows(cells[: len(names)], at)


def _names(header: str, layout: FileLayout) -> list[str]:
    try:
        row = next(csv.reader([header], delimiter=layout.delimiter, strict=True), [])
    except csv.Error as error:
        raise CannotRead(WRONG_ROW, str(error), layout.header_line) from error
    if len(row) > MOST_COLUMNS:
        raise CannotRead(f"at most {MOST_COLUMNS} columns", str(len(row)), layout.header_line)
    return [cell.strip() for cell in row]


def _without(column: pa.StringArray, words: Sequence[str]) -> pa.StringArray:
    return pc.if_else(pc.is_in(column, pa.array(words, pa.string())), "", column) if words else column


def _read_quoted(lines: Lines, keep: NDArray[np.bool_], layout: FileLayout) -> Body:
    """Read the header and the rows below one at a time; each row keeps the line of the file it began on."""
    if (many := int(keep.sum())) > MOST_ROWS:
        raise CannotRead(f"at most {MOST_ROWS} lines where rows have to be read one at a time", str(many))
    numbers = [*(np.flatnonzero(keep) + 1).tolist(), len(lines) + 1]
    texts = (lines.text(place) + "\n" for place in np.flatnonzero(keep).tolist())
    rows = numbered_rows(texts, layout.delimiter, numbers)
    names = list(layout.header)
    if not names:
        began, first = next(rows, (0, []))
        names = [cell.strip() for cell in first]
        if len(names) > MOST_COLUMNS:
            raise CannotRead(f"at most {MOST_COLUMNS} columns", str(len(names)), began)
    at: list[int] = []
    return names, text_columns(_of_width(rows, len(names), layout, at), len(names)), np.array(at, dtype=np.int64)


def _of_width(
    rows: Iterable[tuple[int, list[str]]], width: int, layout: FileLayout, lines: list[int]
) -> Iterator[list[str]]:
    """Pass on rows that are not blank, without what stands for blank cells, and append the line of each to ``lines``.

    Cells beyond those of the header may be there where they are blank.
    """
    for began, row in rows:
        plain = [cell.strip() for cell in row]
        plain = ["" if cell in layout.blank else cell for cell in plain]
        if began < layout.first_line or not any(plain):
            continue
        if len(plain) < width or any(plain[width:]):
            where = "header" if layout.header_line else "map"
            raise CannotRead(f"{width} cells, as in the {where}", str(len(plain)), began)
        lines.append(began)
        yield plain[:width]


def _above(rows: Sequence[str], layout: FileLayout) -> dict[str, str]:
    """Read the fields above the header: label and value in two cells, or in one with a colon between."""
    fields: dict[str, str] = {}
    for number, row in enumerate(rows, 1):
        try:
            label, value = _label_and_value(row, layout)
        except csv.Error as error:
            raise CannotRead("a label and its value above the header", str(error), number) from error
        if label not in layout.above:
            continue
        if label in fields:
            raise CannotRead(f"{label!r} once above the header", "more than once", number, label)
        fields[label] = "" if value in layout.blank else value
    missing = [label for label in layout.above if label not in fields]
    if missing:
        raise CannotRead(f"{missing[0]!r} above the header, as the map says", "nothing of that name", 1, missing[0])
    return fields


def _label_and_value(row: str, layout: FileLayout) -> tuple[str, str]:
    parts = next(csv.reader([row], delimiter=layout.delimiter), [])
    cells = [cell.strip() for cell in parts if cell.strip()]
    if len(cells) == 1 and ":" in cells[0]:
        label, _, value = cells[0].partition(":")
        return label.strip(), value.strip()
    return (cells[0].rstrip(": ") if cells else ""), (cells[1] if len(cells) > 1 else "")


def _in_name(path: str, layout: FileLayout) -> dict[str, str]:
    """Read the fields that stand in the name of the file."""
    if layout.name is None:
        return {}
    name = PurePosixPath(path.replace("\\", "/")).name
    refused = CannotRead(f"a file named {layout.name}, as the map says", name)
    first, *others = re.split(r"\{[^{}]+\}", layout.name)
    if not name.lower().startswith(first.lower()):
        raise refused
    values: list[str] = []
    rest = name[len(first) :]
    for place, literal in enumerate(others, 1):
        # a field ends where what follows it first stands: one look at each letter, however odd the name
        end = re.search(re.escape(literal) + (r"\Z" if place == len(others) else ""), rest[1:], re.IGNORECASE)
        if end is None or not rest:
            raise refused
        values.append(rest[: end.start() + 1])
        rest = rest[end.end() + 1 :]
    return dict(zip(re.findall(FIELD, layout.name), values, strict=True))
