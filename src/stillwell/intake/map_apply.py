"""An intake map applied to a file: foreign columns become sheets of ours. Judges no value but its form."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import partial
from pathlib import PurePosixPath

import numpy as np
import pyarrow as pa

from stillwell.intake.cells import NUMBER
from stillwell.intake.csv_text import Sheet
from stillwell.intake.map_text import Foreign, read_foreign
from stillwell.intake.map_times import time_with_offset
from stillwell.intake.maps import Counted, FileLayout, LocalTime, Map, TableLayout, map_spellings, table_columns
from stillwell.intake.trouble import CannotRead

Read = tuple[str, str]
"""What a cell says, or nothing and what was expected of it."""


@dataclass(frozen=True)
class BadCell:
    """A cell that a map could not read: place of its row and column in the sheet, what was expected and found."""

    row: int
    place: int
    expected: str
    found: str


@dataclass(frozen=True)
class Mapped:
    """One table of a foreign file, under our names."""

    table: str
    sheet: Sheet
    shown: tuple[str, ...]
    """Names of the columns as the foreign file has them."""
    bad: tuple[BadCell, ...]


def described(path: str, intake_map: Map) -> FileLayout | None:
    """Find how a map describes a file.

    Parameters
    ----------
    path : str
        Path inside the deposit.
    intake_map : Map

    Returns
    -------
    FileLayout or None
        None where the map is silent about it.

    Raises
    ------
    CannotRead
        If the map describes it more than once.
    """
    plain = path.replace("\\", "/").lower()
    name = PurePosixPath(plain).name
    found = [
        layout
        for layout in intake_map.files
        if any(fnmatchcase(plain if "/" in pattern else name, pattern.lower()) for pattern in layout.match)
    ]
    if len(found) > 1:
        patterns = " and ".join(", ".join(layout.match) for layout in found)
        raise CannotRead("a map that describes every file once", f"{patterns}, which all match {path}")
    return found[0] if found else None


def mapped_tables(path: str, data: bytes, layout: FileLayout) -> list[Mapped]:
    """Read a foreign file into the tables it feeds.

    Parameters
    ----------
    path : str
    data : bytes
    layout : FileLayout

    Returns
    -------
    list of Mapped
        In the order of the map; ``sheet.lines`` are lines of the foreign file. Columns the map says nothing of are
        named in the remarks of the first.

    Raises
    ------
    CannotRead
        If the file is not written as the map says, or lacks a column it names.
    """
    foreign = read_foreign(path, data, layout)
    tables = [_mapped(foreign, table, layout) for table in layout.tables]
    named = set(layout.ignored) | {n for t in layout.tables for n in _named(t)}
    left = [name for name in (*foreign.columns, *sorted(foreign.repeated)) if name not in named]
    if left:
        sheet = tables[0].sheet
        remark = f"columns the map does not name stay in the sealed bytes: {', '.join(left)}"
        sheet = Sheet(sheet.header, sheet.cells, sheet.lines, sheet.delimiter, (*sheet.remarks, remark))
        tables[0] = Mapped(tables[0].table, sheet, tables[0].shown, tables[0].bad)
    return tables


def _named(table: TableLayout) -> set[str]:
    of_times = {name for how in table.times.values() for name in how.columns}
    of_counts = {name for how in table.counted.values() for name in (*how.per, *how.within)}
    return {*table.columns, *of_times, *of_counts, *table.once_per, *table.filled, *table.empty}


def _mapped(foreign: Foreign, table: TableLayout, layout: FileLayout) -> Mapped:
    rows = _rows(foreign, table)
    known = table_columns(table.table)
    names = map_spellings(known)
    header: list[str] = []
    shown: list[str] = []
    columns: list[list[str]] = []
    bad: list[BadCell] = []

    def take(ours: str, given: str, cells: Sequence[str], read: Callable[[str], Read] | None) -> None:
        texts = [cells[row] for row in rows]
        if read is not None:
            once = {text: read(text) if text else ("", "") for text in set(texts)}
            bad.extend(
                BadCell(i, len(header), once[text][1], repr(text)) for i, text in enumerate(texts) if once[text][1]
            )
            texts = [once[text][0] for text in texts]
        header.append(ours)
        shown.append(given)
        columns.append(texts)

    for given, ours in table.columns.items():
        column = known[names[ours][0]]
        words = table.words.get(ours, {})
        reader = _number(column.expected, layout.decimal) if column.kind == "number" else None
        take(ours, given, foreign.column(given), _translated(words, reader) if words or reader else None)
    for ours, how in table.times.items():
        take(ours, " + ".join(how.columns), _joined(foreign, how), partial(time_with_offset, how=how))
    for ours, rule in table.counted.items():
        take(ours, f"{ours}, counted by the map", _numbered(foreign, rule), None)
    for ours, value in table.constants.items():
        take(ours, f"{ours}, set by the map", [value] * len(foreign.lines), None)
    lines = np.array([foreign.lines[row] for row in rows], dtype=np.int64)
    # numbers have a point by now, whatever the file is separated by
    sheet = Sheet(tuple(header), tuple(pa.array(c, pa.string()) for c in columns), lines, ";")
    return Mapped(table.table, sheet, tuple(shown), tuple(bad))


def _rows(foreign: Foreign, table: TableLayout) -> list[int]:
    """Choose the rows of a foreign file that are rows of a table."""
    filled = [foreign.column(name) for name in table.filled]
    empty = [foreign.column(name) for name in table.empty]
    rows = [
        row
        for row in range(len(foreign.lines))
        if all(cells[row] for cells in filled) and not any(cells[row] for cells in empty)
    ]
    if not table.once_per:
        return rows
    keys = list(zip(*(foreign.column(name) for name in table.once_per), strict=True))
    taken = [*table.columns, *(name for how in table.times.values() for name in how.columns)]
    first: dict[tuple[str, ...], int] = {}
    for row in rows:
        begun = first.setdefault(keys[row], row)
        for name in taken if begun != row else ():
            cells = foreign.column(name)
            if cells[row] != cells[begun]:
                expected = f"{name!r} the same wherever {', '.join(map(repr, table.once_per))} are, as the map says"
                found = f"{cells[begun]!r} on line {foreign.lines[begun]} and {cells[row]!r}"
                raise CannotRead(expected, found, foreign.lines[row], name)
    return sorted(first.values())


def _joined(foreign: Foreign, how: LocalTime) -> list[str]:
    parts = [foreign.column(name) for name in how.columns]
    return [" ".join(cells).strip() for cells in zip(*parts, strict=True)]


def _numbered(foreign: Foreign, rule: Counted) -> list[str]:
    """Count rows from 1 within some columns, one more whenever others change."""
    per = list(zip(*(foreign.column(name) for name in rule.per), strict=True)) if rule.per else None
    within = list(zip(*(foreign.column(name) for name in rule.within), strict=True)) if rule.within else None
    numbers: list[str] = []
    number: dict[tuple[str, ...], int] = {}
    before: dict[tuple[str, ...], tuple[str, ...]] = {}
    for row in range(len(foreign.lines)):
        key = within[row] if within else ()
        said = per[row] if per else (str(row),)
        if before.get(key) != said:
            number[key] = number.get(key, 0) + 1
        before[key] = said
        numbers.append(str(number[key]))
    return numbers


def _translated(words: Mapping[str, str], reader: Callable[[str], Read] | None) -> Callable[[str], Read]:
    def read(text: str) -> Read:
        if text in words:
            return words[text], ""
        return reader(text) if reader else (text, "")

    return read


def _number(expected: str, decimal: str) -> Callable[[str], Read]:
    other = "," if decimal == "." else "."
    mark = "comma" if decimal == "," else "point"

    def read(text: str) -> Read:
        plain = text.replace(decimal, ".")
        if other in text or not re.fullmatch(NUMBER, plain):
            return "", f"{expected}, written with a decimal {mark}"
        return plain, ""

    return read
