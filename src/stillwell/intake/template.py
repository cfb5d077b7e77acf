"""The workbook a field party fills in: a sheet for each table, made from the schemas. Holds nobody's data."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Any

from stillwell.errors import StillwellError
from stillwell.intake.maps.map_file import table_columns
from stillwell.intake.readers.workbook import EXAMPLE, OFFSET, READ_ME, is_offset
from stillwell.intake.template_text import CAUTIONS, EXAMPLES, HOW, TIME_EXAMPLE
from stillwell.intake.values.units import SUFFIXES, Unit
from stillwell.schemas.base import Column

TABLES = ("gaugings", "points", "gauge_heights", "sites", "instruments", "calibrations", "checks", "reviews")
"""Tables that have a sheet, in the order of the sheets."""
FEET: Mapping[str, str] = MappingProxyType(
    {"_m3_s": "_ft3_s", "_m_s": "_ft_s", "_km2": "_mi2", "_m2": "_ft2", "_c": "_f", "_m": "_ft"}
)
"""Endings of the columns of a workbook in feet."""
UNITS = ("metric", "feet")
ROWS_WITH_LISTS = 5000
TINT = "E8E8E8"
_MADE = datetime(2025, 1, 1)
_SHOWN = MappingProxyType(
    {"_ft3_s": "ft3/s", "_ft_s": "ft/s", "_mi2": "square miles", "_ft2": "ft2", "_f": "degrees Fahrenheit", "_ft": "ft"}
)


class CannotMake(StillwellError):
    """A template cannot be made as asked."""


def template_workbook(units: str = "metric", tables: Sequence[str] | None = None, offset: str = "") -> bytes:
    """Make a workbook to be filled in, with a sheet to read first and a filled example.

    Parameters
    ----------
    units : str
        ``metric`` or ``feet``: the units of the columns.
    tables : sequence of str, optional
        Tables to make sheets of; all of ``TABLES`` when absent.
    offset : str
        Offset from UTC, as in ``+02:00``, that date cells of the workbook are in; left to be filled in when empty.

    Returns
    -------
    bytes
        An ``.xlsx`` file; its cells, notes and dates do not depend on when it is made.

    Raises
    ------
    CannotMake
        If the units or a table are unknown, or the offset is none.
    """
    chosen = TABLES if tables is None else tuple(tables)
    unknown = [name for name in chosen if name not in TABLES]
    if units not in UNITS or unknown or not chosen or len(set(chosen)) < len(chosen):
        given = f"units {units!r} and tables {', '.join(chosen) or 'none'}"
        known = f"units of {', '.join(UNITS)} and tables of {', '.join(TABLES)}, each once"
        raise CannotMake(f"template: expected {known}, found {given}; nothing was written")
    if offset and not is_offset(offset):
        raise CannotMake(f"template: expected an offset from UTC such as +02:00, found {offset!r}; nothing was written")
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    _read_me(book.create_sheet(READ_ME), units)
    _offset(book.create_sheet(OFFSET), offset)
    for table in chosen:
        _header(book.create_sheet(table), table, units)
    for table in chosen:
        if table in EXAMPLES:
            _example(book.create_sheet(f"{EXAMPLE} {table}"), table, units)
    book.active = 2
    book.properties.creator = "Stillwell"
    book.properties.created = _MADE
    out = io.BytesIO()
    book.save(out)
    return _without_clock(out.getvalue())


def handed_in_as(name: str, units: str) -> tuple[str, Unit | None]:
    """Return the name a canonical column has in a template, and its unit where that is not SI.

    Parameters
    ----------
    name : str
    units : str
        ``metric`` or ``feet``.

    Returns
    -------
    (str, Unit or None)
    """
    ending = next((ending for ending in SUFFIXES if name.endswith(ending)), None)
    if units == "metric" or ending is None:
        return name, None
    return name.removesuffix(ending) + FEET[ending], SUFFIXES[ending][FEET[ending]]


def _header(sheet: Any, table: str, units: str) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Font, PatternFill
    from openpyxl.utils import get_column_letter

    for place, column in enumerate(table_columns(table).values(), 1):
        name, unit = handed_in_as(column.name, units)
        cell = sheet.cell(1, place, name)
        cell.font = Font(bold=True)
        cell.number_format = "@"
        if _needed(column):
            cell.fill = PatternFill("solid", start_color=TINT)
        cell.comment = Comment(_note(column, name, unit), "Stillwell", height=130, width=300)
        letter = get_column_letter(place)
        wide = sheet.column_dimensions[letter]
        wide.width = min(max(len(name) + 2, 24 if column.kind == "time" else 10), 32)
        if column.kind in ("text", "time"):
            wide.number_format = "@"
        _offer_words(sheet, letter, column)
    sheet.freeze_panes = "A2"


def _offset(sheet: Any, offset: str) -> None:
    """Make the sheet that states the offset of date cells."""
    from openpyxl.styles import Font

    sheet.cell(1, 1, OFFSET).font = Font(bold=True)
    sheet.cell(2, 1, offset or None).number_format = "@"
    sheet.column_dimensions["A"].width = 24


def _needed(column: Column) -> bool:
    return column.required and column.empty is None


def _note(column: Column, name: str, unit: Unit | None) -> str:
    expected = column.expected
    if column.kind == "time":
        expected = f"text such as {TIME_EXAMPLE}: local time with its offset from UTC"
    elif unit is not None:
        expected = _range(column, unit, next(shown for ending, shown in _SHOWN.items() if name.endswith(ending)))
    left = _empty_means(column)
    needed = "Needed in every row." if _needed(column) else left
    return f"{column.description[0].upper()}{column.description[1:]}.\nExpected: {expected}.\n{needed}"


def _empty_means(column: Column) -> str:
    if column.empty is None:
        return "May be left empty."
    return f"Empty means {column.empty.value}{', ' * bool(column.empty.where)}{column.empty.where}."


def _range(column: Column, unit: Unit, shown: str) -> str:
    """Put the range of a column into words in another unit."""

    def there(si: float) -> str:
        return f"{si * float(unit.denominator) / float(unit.numerator) + float(unit.zero):.4g}"

    if column.above is not None and column.maximum is not None:
        return f"above {there(column.above)} up to {there(column.maximum)} {shown}"
    if column.minimum is not None and column.maximum is not None:
        return f"{there(column.minimum)} to {there(column.maximum)} {shown}"
    return f"a number in {shown}"


def _offer_words(sheet: Any, letter: str, column: Column) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    words = ("true", "false") if column.kind == "flag" else column.words
    if not words:
        return
    offer = DataValidation(type="list", formula1=f'"{",".join(words)}"', allow_blank=True, showErrorMessage=True)
    offer.errorTitle = column.name
    offer.error = f"One of: {', '.join(words)}"[:250]
    offer.add(f"{letter}2:{letter}{ROWS_WITH_LISTS}")
    sheet.add_data_validation(offer)


def _example(sheet: Any, table: str, units: str) -> None:
    _header(sheet, table, units)
    places = {name: place for place, name in enumerate(table_columns(table), 1)}
    for line, row in enumerate(EXAMPLES[table], 2):
        for name, value in row.items():
            cell = sheet.cell(line, places[name], _in_units(name, value, units))
            if isinstance(value, str):
                cell.number_format = "@"
    sheet.protection.sheet = True


def _in_units(name: str, value: Any, units: str) -> Any:
    """Round an example to what a rod, tape or meter in feet would show."""
    _, unit = handed_in_as(name, units)
    if unit is None:
        return value
    there = value * float(unit.denominator) / float(unit.numerator) + float(unit.zero)
    return round(there, 1 if name in ("position_m", "depth_m", "water_temperature_c") else 2)


def _read_me(sheet: Any, units: str) -> None:
    from openpyxl.styles import Alignment, Font

    sheet.column_dimensions["A"].width = 100
    lines = [*HOW, "", f"Units of this workbook: {units}.", "", *CAUTIONS]
    for line, words in enumerate(lines, 1):
        cell = sheet.cell(line, 1, words.removeprefix("# "))
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        cell.font = Font(bold=words.startswith("# "))
    sheet.protection.sheet = True


def _without_clock(data: bytes) -> bytes:
    """Write a workbook again with the moment of writing left out."""
    out = io.BytesIO()
    moment = _MADE.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    with zipfile.ZipFile(io.BytesIO(data)) as made, zipfile.ZipFile(out, "w") as again:
        for entry in sorted(made.infolist(), key=lambda e: (e.filename != "[Content_Types].xml", e.filename)):
            content = made.read(entry)
            if entry.filename == "docProps/core.xml":
                content = re.sub(rb"(<(?:\w+:)?modified[^>]*>)[^<]*", rb"\g<1>" + moment, content)
            fixed = zipfile.ZipInfo(entry.filename, (1980, 1, 1, 0, 0, 0))
            fixed.compress_type = zipfile.ZIP_DEFLATED
            fixed.external_attr = 0o644 << 16
            again.writestr(fixed, content)
    return out.getvalue()
