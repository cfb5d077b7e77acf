"""Intake maps: how files of another layout are to be read. Reads a map's text, never a deposit."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType

from stillwell.errors import MapError
from stillwell.fingerprint import sha256
from stillwell.intake.maps.clocks import Clock, clock_from
from stillwell.intake.maps.derived import PRESSURES, Derived, FromPressure, linear_from, pressure_from, range_from
from stillwell.intake.maps.lines import Part, key_lines
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.toml_text import read_toml
from stillwell.intake.values.units import Unit, spellings
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.base import Column
from stillwell.schemas.derive import columns

ENCODINGS = ("utf-8", "latin-1", "cp1252", "utf-16")
FIELD = r"\{([^{}]+)\}"
DERIVED = ("linear", "from_range", "from_pressure")
"""Keys under which a column of ours is computed."""
NEEDED: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {
        "times": ("time", "a time column of", ""),
        "counted": ("count", "a column of", " that counts"),
        "linear": ("number", "a column of", " that is a number"),
    }
)
"""For a source of a column, the kind of column it can feed, in words too."""
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
    times: Mapping[str, Clock]
    words: Mapping[str, Mapping[str, str]]
    """For a name of ours, foreign words to our words."""
    counted: Mapping[str, Counted]
    once_per: tuple[str, ...]
    filled: tuple[str, ...]
    """Only rows in which all of these hold something."""
    empty: tuple[str, ...]
    """Only rows in which none of these holds anything."""
    no_value: Mapping[str, tuple[str, ...]]
    """For a foreign column, words that say there is no value: such rows are noted and counted, not taken."""
    derived: Mapping[str, Derived | FromPressure]
    """For a name of ours, what it is computed from."""

    @property
    def fed(self) -> set[str]:
        """Every column of ours that has a source, by the name the map uses."""
        return {*self.columns.values(), *self.constants, *self.times, *self.counted, *self.derived}

    @property
    def named(self) -> set[str]:
        """Every foreign column the table is made from or chosen by."""
        of_times = {name for clock in self.times.values() for name in clock.named}
        of_counts = {name for rule in self.counted.values() for name in (*rule.per, *rule.within)}
        of_derived = {name for how in self.derived.values() for name in how.named}
        chosen = {*self.once_per, *self.filled, *self.empty, *self.no_value}
        return {*self.columns, *of_times, *of_counts, *of_derived, *chosen}


@dataclass(frozen=True)
class SeriesLayout:
    """Pressures of the air that a file holds for other files of its deposit; they feed no table."""

    name: str
    column: str
    unit: str
    time: Clock
    no_value: tuple[str, ...]

    @property
    def named(self) -> set[str]:
        """Every foreign column it is made from."""
        return {self.column, *self.time.named}


@dataclass(frozen=True)
class FileLayout:
    """How some files are written, and which tables they feed."""

    match: tuple[str, ...]
    encoding: str
    delimiter: str
    decimal: str
    header_line: int
    """0 where the file has none, and ``header`` names its columns."""
    first_line: int
    header: tuple[str, ...]
    comments: tuple[str, ...]
    """What lines begin with that are passed over."""
    footer_lines: int
    blank: tuple[str, ...]
    ignored: tuple[str, ...]
    above: tuple[str, ...]
    """Fields that stand above the header, a label and its value on a line."""
    name: str | None
    """How a file is named, with fields in braces."""
    tables: tuple[TableLayout, ...]
    series: tuple[SeriesLayout, ...]


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
        document = read_toml(text)
    except CannotRead as reason:
        msg = f"intake map: expected {reason.expected}, found: {reason.found}; nothing was read with it"
        raise MapError(msg) from reason
    top = Part(document, (), key_lines(text))
    top.only("kind", "name", "about", "files")
    if top.text("kind") != "map":
        raise top.refusal("kind", '"map"', document["kind"])
    parts = top.parts("files")
    files = tuple(_file(part) for part in parts)
    _check_series(parts, files)
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
    return {c.name: c for c in columns(DEPOSIT_TABLES[table]) if "filled" not in c.roles}


def _file(part: Part) -> FileLayout:
    part.only(
        "match", "encoding", "delimiter", "decimal", "header_line", "header", "first_line", "comments", "footer_lines",
        "blank", "ignored", "above", "name", "tables", "series",
    )  # fmt: skip
    match = part.texts("match")
    if not all(match) or not match:
        raise part.refusal("match", "a list of patterns for names of files", list(match))
    delimiter, decimal = part.text("delimiter", ","), part.one_of("decimal", (".", ","), ".")
    if len(delimiter) != 1 or delimiter in '"\r\n ':
        raise part.refusal("delimiter", "one character, not a quote, space or line end", delimiter)
    if delimiter == decimal:
        raise part.refusal("decimal", "another mark than the delimiter", decimal)
    comments = part.texts("comments")
    if not all(comments) or any(c in "".join(comments) for c in '"\r\n'):
        raise part.refusal("comments", "beginnings of lines, without quotes", list(comments))
    header = _header(part)
    name = part.text("name", "") or None
    if name is not None and not _names_fields(name):
        raise part.refusal("name", "a name with up to 8 fields in braces and something between them", name)
    needed = "tables" in part.values or "series" not in part.values
    return FileLayout(
        match=match,
        encoding=part.one_of("encoding", ENCODINGS, "utf-8"),
        delimiter=delimiter,
        decimal=decimal,
        header_line=header,
        first_line=part.whole("first_line", header + 1, header + 1),
        header=part.texts("header"),
        comments=comments,
        footer_lines=part.whole("footer_lines", 0, 0),
        blank=part.texts("blank"),
        ignored=part.texts("ignored"),
        above=part.texts("above"),
        name=name,
        tables=tuple(_table(p) for p in part.parts("tables")) if needed else (),
        series=tuple(_series(p) for p in part.parts("series")) if "series" in part.values else (),
    )


def _header(part: Part) -> int:
    """Read where the header stands; 0 where the map names the columns itself."""
    if "header" not in part.values:
        return part.whole("header_line", 1, 1)
    names = part.texts("header")
    if not all(names) or len(set(names)) < len(names):
        raise part.refusal("header", "a name for every column, each once", list(names))
    for other in ("header_line", "above"):
        if other in part.values:
            raise part.refusal(other, "nothing beside header, which is for files without one", part.values[other])
    return 0


def _names_fields(name: str) -> bool:
    fields = re.findall(FIELD, name)
    bare = re.sub(FIELD, "", name)
    return 0 < len(fields) == len(set(fields)) <= 8 and not set("{}") & set(bare) and "}{" not in name


def _table(part: Part) -> TableLayout:
    part.only(
        "table", "columns", "constants", "times", "words", "counted", "once_per", "filled", "empty", "no_value",
        "linear", "from_range", "from_pressure",
    )  # fmt: skip
    table = part.one_of("table", tuple(t for t in DEPOSIT_TABLES if t != "policies"), "")
    known = table_columns(table)
    names = map_spellings(known)
    renamed = part.part("columns").words()
    constants = {name: _constant(part.part("constants"), name) for name in part.part("constants").values}
    times = {name: clock_from(p) for name, p in _inner(part.part("times"))}
    counted = {name: _counted(p) for name, p in _inner(part.part("counted"))}
    words = {name: p.words() for name, p in _inner(part.part("words"))}
    derived = _derived(part, names)
    sources = [("columns", foreign, ours) for foreign, ours in renamed.items()]
    for where in ("constants", "times", "counted", *DERIVED):
        sources += [(where, ours, ours) for ours in part.part(where).values]
    _check_sources(part, table, sources)
    for name in words:
        if name not in renamed.values():
            raise part.part("words").refusal(name, "a column that columns names", name)
    if not sources:
        raise part.refusal("columns", f"a column of {table} at least", {})
    return TableLayout(
        table=table,
        columns=renamed,
        constants=constants,
        times=times,
        words=words,
        counted=counted,
        once_per=part.texts("once_per"),
        filled=part.texts("filled"),
        empty=part.texts("empty"),
        no_value={name: part.part("no_value").texts(name) for name in part.part("no_value").values},
        derived=derived,
    )


def _check_sources(part: Part, table: str, sources: list[tuple[str, str, str]]) -> None:
    """Refuse names that are none of ours, of another kind than their source, or fed twice."""
    known = table_columns(table)
    names = map_spellings(known)
    fed: dict[str, str] = {}
    for where, key, ours in sources:
        place = part.part(where)
        if ours not in names:
            raise place.refusal(key, f"a column of {table}", ours)
        canonical = names[ours][0]
        if canonical in fed:
            raise place.refusal(key, f"one source for {canonical}", f"both {fed[canonical]} and {key}")
        fed[canonical] = key
        kind, needed = known[canonical].kind, NEEDED.get(where)
        if needed is not None and kind != needed[0]:
            raise place.refusal(key, f"{needed[1]} {table}{needed[2]}", key)


def _derived(part: Part, names: Mapping[str, tuple[str, Unit | None]]) -> dict[str, Derived | FromPressure]:
    """Read what is computed; a name that is none of ours is refused with the other sources."""
    derived: dict[str, Derived | FromPressure] = {}
    for name, p in _inner(part.part("linear")):
        derived[name] = linear_from(p, names.get(name, (name, None))[1])
    for where, read in (("from_range", range_from), ("from_pressure", pressure_from)):
        for name, p in _inner(part.part(where)):
            if name not in names or not name.endswith("_m") or names[name][1] is not None:
                raise part.part(where).refusal(name, "a height in m, as stage_m", name)
            derived[name] = read(p)
    return derived


def _series(part: Part) -> SeriesLayout:
    part.only("name", "column", "unit", "time", "no_value")
    unit = part.one_of("unit", tuple(PRESSURES), "")
    time = clock_from(part.part("time"))
    return SeriesLayout(part.text("name"), part.text("column"), unit, time, part.texts("no_value"))


def _check_series(parts: list[Part], files: tuple[FileLayout, ...]) -> None:
    """Refuse a series of air pressure that no file of the map holds."""
    known = {series.name for layout in files for series in layout.series}
    for part, layout in zip(parts, files, strict=True):
        for place, table in zip(part.parts("tables") if layout.tables else (), layout.tables, strict=True):
            for name, how in table.derived.items():
                if isinstance(how, FromPressure) and how.air_series is not None and how.air_series not in known:
                    where = place.part("from_pressure").part(name)
                    raise where.refusal(
                        "air_series", f"a series of the map ({', '.join(known) or 'none'})", how.air_series
                    )


def _inner(part: Part) -> list[tuple[str, Part]]:
    return [(name, part.part(name)) for name in part.values]


def _constant(part: Part, name: str) -> str:
    value = part.values[name]
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float) or (isinstance(value, str) and value):
        return str(value)
    raise part.refusal(name, "a text, a number, true or false", value)


def _counted(part: Part) -> Counted:
    part.only("per", "within")
    return Counted(part.texts("per"), part.texts("within"))
