"""Intake maps: how files of another layout are to be read. Reads a map's text, never a deposit."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from schemas import DEPOSIT_TABLES
from schemas.derive import Column, columns
from stillwell.errors import MapError
from stillwell.fingerprint import sha256
from stillwell.intake.map_lines import Part, key_lines
from stillwell.intake.toml_text import read_toml
from stillwell.intake.trouble import CannotRead
from stillwell.intake.units import Unit, spellings

ENCODINGS = ("utf-8", "latin-1", "cp1252", "utf-16")
UNMAPPED = ("deposit", "row_file", "row_line", "offset_given")
"""Columns that intake fills."""
DIRECTIVES = frozenset("YymdjHIMSfpbz%")
OFFSET = re.compile(r"[+-](0[0-9]|1[0-4]):[0-5][0-9]")
FIELD = r"\{([^{}]+)\}"
_SURVEY = Decimal(1200), Decimal(3937)
SURVEY_FEET: Mapping[str, tuple[str, Unit]] = MappingProxyType(
    {
        "_m3_s": ("_ftus3_s", Unit(_SURVEY[0] ** 3, _SURVEY[1] ** 3)),
        "_m_s": ("_ftus_s", Unit(*_SURVEY)),
        "_m2": ("_ftus2", Unit(_SURVEY[0] ** 2, _SURVEY[1] ** 2)),
        "_m": ("_ftus", Unit(*_SURVEY)),
    }
)
"""Endings in the survey foot, 1200/3937 m exactly, which only a map may use."""


@dataclass(frozen=True)
class LocalTime:
    """How a time is put together: columns joined by a space, their format, and an offset or a zone."""

    columns: tuple[str, ...]
    format: str
    offset: str | None = None
    zone: str | None = None


@dataclass(frozen=True)
class Counted:
    """A number that the map counts: one more whenever ``per`` changes (or every row), from 1 within ``within``."""

    per: tuple[str, ...]
    within: tuple[str, ...]


@dataclass(frozen=True)
class TableLayout:
    """One table that a file feeds."""

    table: str
    columns: Mapping[str, str]
    """Name in the foreign file to a name of ours, which says the unit."""
    constants: Mapping[str, str]
    times: Mapping[str, LocalTime]
    words: Mapping[str, Mapping[str, str]]
    """For a name of ours, foreign words to our words."""
    counted: Mapping[str, Counted]
    once_per: tuple[str, ...]
    filled: tuple[str, ...]
    """Only rows in which all of these hold something."""
    empty: tuple[str, ...]
    """Only rows in which none of these holds anything."""


@dataclass(frozen=True)
class FileLayout:
    """How some files are written, and which tables they feed."""

    match: tuple[str, ...]
    encoding: str
    delimiter: str
    decimal: str
    header_line: int
    first_line: int
    blank: tuple[str, ...]
    ignored: tuple[str, ...]
    above: tuple[str, ...]
    """Fields that stand above the header, a label and its value on a line."""
    name: str | None
    """How a file is named, with fields in braces."""
    tables: tuple[TableLayout, ...]


@dataclass(frozen=True)
class Map:
    """An intake map as read, with the digest of its text."""

    name: str
    about: str
    files: tuple[FileLayout, ...]
    digest: str


def looks_like_map(text: str) -> bool:
    """Say whether a TOML text calls itself an intake map.

    Parameters
    ----------
    text : str

    Returns
    -------
    bool
        True for ``kind = "map"`` at its top; False for any other text, TOML or not.
    """
    try:
        return read_toml(text).get("kind") == "map"
    except CannotRead:
        return False


def map_from(text: str) -> Map:
    """Read an intake map.

    Parameters
    ----------
    text : str
        TOML as described in docs/intake_maps.md.

    Returns
    -------
    Map

    Raises
    ------
    MapError
        If it is not TOML, holds an unknown key, a value of the wrong type, or two sources for one column; the message
        names the line.
    """
    try:
        said = read_toml(text)
    except CannotRead as reason:
        msg = f"intake map: expected {reason.expected}, found: {reason.found}; nothing was read with it"
        raise MapError(msg) from reason
    top = Part(said, (), key_lines(text))
    top.only("kind", "name", "about", "files")
    if top.text("kind") != "map":
        raise top.refusal("kind", '"map"', said["kind"])
    files = tuple(_file(part) for part in top.parts("files"))
    return Map(top.text("name"), top.text("about", ""), files, sha256(text.encode("utf-8")))


def map_spellings(names: Iterable[str]) -> dict[str, tuple[str, Unit | None]]:
    """Map every spelling a map may use to the canonical name and unit: those of a deposit, and survey feet.

    Parameters
    ----------
    names : iterable of str
        Canonical names.

    Returns
    -------
    dict of str to (str, Unit or None)
    """
    names = tuple(names)
    known = spellings(names)
    for name in names:
        ending = next((ending for ending in SURVEY_FEET if name.endswith(ending)), None)
        if ending is not None:
            other, unit = SURVEY_FEET[ending]
            known[name.removesuffix(ending) + other] = (name, unit)
    return known


def table_columns(table: str) -> dict[str, Column]:
    """Describe the columns of a table that may be handed in, by canonical name."""
    return {c.name: c for c in columns(DEPOSIT_TABLES[table]) if c.name not in UNMAPPED}


def _file(part: Part) -> FileLayout:
    part.only(
        "match", "encoding", "delimiter", "decimal", "header_line", "first_line", "blank", "ignored", "above", "name",
        "tables",
    )  # fmt: skip
    match = part.texts("match")
    if not all(match) or not match:
        raise part.refusal("match", "a list of patterns for names of files", list(match))
    delimiter, decimal = part.text("delimiter", ","), part.one_of("decimal", (".", ","), ".")
    if len(delimiter) != 1 or delimiter in '"\r\n ':
        raise part.refusal("delimiter", "one character, not a quote, space or line end", delimiter)
    if delimiter == decimal:
        raise part.refusal("decimal", "another mark than the delimiter", decimal)
    header = part.whole("header_line", 1, 1)
    name = part.text("name", "") or None
    if name is not None and (fields := re.findall(r"\{([^{}]*)\}", name)) is not None:
        bare = re.sub(r"\{[^{}]+\}", "", name)
        if (
            "{" in bare
            or "}" in bare
            or "}{" in name
            or not fields
            or len(set(fields)) < len(fields)
            or len(fields) > 8
        ):
            raise part.refusal("name", "a name with up to 8 fields in braces and something between them", name)
    return FileLayout(
        match=match,
        encoding=part.one_of("encoding", ENCODINGS, "utf-8"),
        delimiter=delimiter,
        decimal=decimal,
        header_line=header,
        first_line=part.whole("first_line", header + 1, header + 1),
        blank=part.texts("blank"),
        ignored=part.texts("ignored"),
        above=part.texts("above"),
        name=name,
        tables=tuple(_table(p) for p in part.parts("tables")),
    )


def _names_fields(name: str) -> bool:
    fields = re.findall(FIELD, name)
    bare = re.sub(FIELD, "", name)
    return 0 < len(fields) == len(set(fields)) <= 8 and not set("{}") & set(bare) and "}{" not in name


def _table(part: Part) -> TableLayout:
    part.only("table", "columns", "constants", "times", "words", "counted", "once_per", "filled", "empty")
    table = part.one_of("table", tuple(t for t in DEPOSIT_TABLES if t != "policies"), "")
    known = table_columns(table)
    names = map_spellings(known)
    renamed = part.part("columns").words()
    constants = {name: _constant(part.part("constants"), name) for name in part.part("constants").said}
    times = {name: _time(p) for name, p in _inner(part.part("times"))}
    counted = {name: _counted(p) for name, p in _inner(part.part("counted"))}
    words = {name: p.words() for name, p in _inner(part.part("words"))}
    sources = [("columns", foreign, ours) for foreign, ours in renamed.items()]
    sources += [
        (w, n, n) for w, them in (("constants", constants), ("times", times), ("counted", counted)) for n in them
    ]
    fed: dict[str, str] = {}
    for where, key, ours in sources:
        place = part.part(where)
        if ours not in names:
            raise place.refusal(key, f"a column of {table}", ours)
        canonical = names[ours][0]
        if canonical in fed:
            raise place.refusal(key, f"one source for {canonical}", f"both {fed[canonical]} and {key}")
        fed[canonical] = key
        kind = known[canonical].kind
        if where == "times" and kind != "time":
            raise place.refusal(key, f"a time column of {table}", key)
        if where == "counted" and kind != "count":
            raise place.refusal(key, f"a column of {table} that counts", key)
    for name in words:
        if name not in renamed.values():
            raise part.part("words").refusal(name, "a column that columns names", name)
    if not fed:
        raise part.refusal("columns", f"a column of {table} at least", {})
    return TableLayout(
        table,
        renamed,
        constants,
        times,
        words,
        counted,
        part.texts("once_per"),
        part.texts("filled"),
        part.texts("empty"),
    )


def _inner(part: Part) -> list[tuple[str, Part]]:
    return [(name, part.part(name)) for name in part.said]


def _constant(part: Part, name: str) -> str:
    value = part.said[name]
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float) or (isinstance(value, str) and value):
        return str(value)
    raise part.refusal(name, "a text, a number, true or false", value)


def _counted(part: Part) -> Counted:
    part.only("per", "within")
    return Counted(part.texts("per"), part.texts("within"))


def _time(part: Part) -> LocalTime:
    part.only("columns", "format", "offset", "zone")
    names, form = part.texts("columns"), part.text("format")
    if not names:
        raise part.refusal("columns", "the columns a time is made of", [])
    used = set(re.findall(r"%(.)", form))
    whole = used >= {"H", "M"} or used >= {"I", "p", "M"}
    dated = used & {"Y", "y"} and ("j" in used or ("d" in used and used & {"m", "b"}))
    if used - DIRECTIVES or not whole or not dated or not _reads_back(form):
        raise part.refusal("format", f"a date and a time of %{' %'.join(sorted(DIRECTIVES - {'%'}))}", form)
    offset, zone = part.said.get("offset"), part.said.get("zone")
    if ("z" in used) + (offset is not None) + (zone is not None) != 1:
        raise part.refusal("format", "one of an offset, a zone, or %z in the format", form)
    if offset is not None and (not isinstance(offset, str) or not OFFSET.fullmatch(offset)):
        raise part.refusal("offset", "an offset from UTC such as +01:00", offset)
    if zone is not None:
        _check_zone(part, zone)
    return LocalTime(names, form, offset, zone)


def _reads_back(form: str) -> bool:
    try:
        datetime.strptime(datetime(2025, 5, 1, 10, 30, tzinfo=UTC).strftime(form), form)
    except (ValueError, re.error):
        return False
    return True


def _check_zone(part: Part, zone: Any) -> None:
    try:
        ZoneInfo(zone)
    except (TypeError, ValueError, OSError, KeyError, AttributeError) as error:
        raise part.refusal("zone", "a zone of the IANA time zone database, as in Europe/Berlin", zone) from error
