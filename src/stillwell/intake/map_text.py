"""Text files of another layout to columns of text under their foreign names. Knows no table of ours."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from stillwell.intake.csv_text import check_lines
from stillwell.intake.limits import MOST_COLUMNS, MOST_ROWS
from stillwell.intake.maps import FIELD, FileLayout
from stillwell.intake.trouble import CannotRead

_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_UTF8 = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class Foreign:
    """A foreign file as columns of text, without rows that are blank throughout."""

    columns: Mapping[str, Sequence[str]]
    """By name; fields above the header and in the file's name are columns too, the same in every row."""
    lines: Sequence[int]
    repeated: frozenset[str]
    """Names that stand in the header more than once, which no map can mean."""

    def column(self, name: str) -> Sequence[str]:
        """Return a column that a map names.

        Raises
        ------
        CannotRead
            If there is none of that name, or more than one.
        """
        if name in self.repeated:
            raise CannotRead(f"the column {name!r} once", "more than one", None, name)
        if name not in self.columns:
            raise CannotRead(f"the column {name!r}, as the map says", ", ".join(map(repr, self.columns)), None, name)
        return self.columns[name]


def read_foreign(path: str, data: bytes, layout: FileLayout) -> Foreign:
    """Read a file as a map describes it.

    Parameters
    ----------
    path : str
    data : bytes
    layout : FileLayout

    Returns
    -------
    Foreign

    Raises
    ------
    CannotRead
        If the file is not written so; names the line where there is one.
    """
    check_lines(data, MOST_ROWS)
    text = _decoded(data, layout.encoding).replace("\r\n", "\n").replace("\r", "\n")
    rows = text.split("\n")
    if len(rows) < layout.header_line or not rows[layout.header_line - 1].strip():
        raise CannotRead(f"a header on line {layout.header_line}, as the map says", "none", layout.header_line)
    names, cells, lines = _body("\n".join(rows[layout.header_line - 1 :]), layout)
    repeated = frozenset(name for name in names if name and names.count(name) > 1)
    read = {name: [row[i] for row in cells] for i, name in enumerate(names) if name and name not in repeated}
    fields = _above(rows[: layout.header_line - 1], layout) | _in_name(path, layout)
    for name, value in fields.items():
        if name in read or name in repeated:
            raise CannotRead(f"one place for {name!r}", "a column and a field of that name", layout.header_line, name)
        read[name] = [value] * len(lines)
    return Foreign(read, lines, repeated)


def _decoded(data: bytes, encoding: str) -> str:
    marked = "UTF-16" if data.startswith(_UTF16) else "UTF-8" if data.startswith(_UTF8) else ""
    if marked and marked.lower() != encoding:
        raise CannotRead(f"{encoding} text, as the map says", f"the mark of {marked}", 1)
    if encoding == "utf-16" and not marked:
        raise CannotRead("utf-16 text with its byte order mark", "none", 1)
    try:
        text = data.decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"the byte 0x{data[error.start]:02X} at offset {error.start}"
        raise CannotRead(f"{encoding} text, as the map says", found, line) from error
    control = re.search(r"[\x00\x80-\x84\x86-\x9f]" if encoding == "latin-1" else r"\x00", text)
    if control:
        line = text.count("\n", 0, control.start()) + 1
        found = f"the control character 0x{ord(control[0]):02X}; saved in another encoding?"
        raise CannotRead(f"{encoding} text, as the map says", found, line)
    return text


def _body(text: str, layout: FileLayout) -> tuple[list[str], list[list[str]], list[int]]:
    """Read the header and the rows below; each row keeps the line of the file it began on."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=layout.delimiter, strict=True)
    names: list[str] = []
    cells: list[list[str]] = []
    lines: list[int] = []
    line = layout.header_line
    try:
        for row in reader:
            at, line = line, layout.header_line + reader.line_num
            plain = [cell.strip() for cell in row]
            if not names:
                names = plain
                if len(names) > MOST_COLUMNS:
                    raise CannotRead(f"at most {MOST_COLUMNS} columns", str(len(names)), at)
                continue
            plain = ["" if cell in layout.blank else cell for cell in plain]
            if at < layout.first_line or not any(plain):
                continue
            if len(plain) < len(names) or any(plain[len(names) :]):
                raise CannotRead(f"{len(names)} cells, as in the header", str(len(plain)), at)
            cells.append(plain[: len(names)])
            lines.append(at)
    except csv.Error as error:
        raise CannotRead("a row of quoted and plain cells", str(error), line) from error
    return names, cells, lines


def _above(rows: Sequence[str], layout: FileLayout) -> dict[str, str]:
    """Read the fields above the header: label and value in two cells, or in one with a colon between."""
    found: dict[str, str] = {}
    for number, row in enumerate(rows, 1):
        try:
            label, value = _label_and_value(row, layout)
        except csv.Error as error:
            raise CannotRead("a label and its value above the header", str(error), number) from error
        if label not in layout.above:
            continue
        if label in found:
            raise CannotRead(f"{label!r} once above the header", "more than once", number, label)
        found[label] = "" if value in layout.blank else value
    missing = [label for label in layout.above if label not in found]
    if missing:
        raise CannotRead(f"{missing[0]!r} above the header, as the map says", "nothing of that name", 1, missing[0])
    return found


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
