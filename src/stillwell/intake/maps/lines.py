"""The parts of a TOML text by type, and the line each stands on, so that a refusal can name it. Knows no layout."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from stillwell.errors import MapError
from stillwell.intake.problem_collector import shown

Path = tuple[str | int, ...]

_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"
_ARRAY = re.compile(rf"^\s*\[\[\s*({_DOTTED})\s*\]\]")
_TABLE = re.compile(rf"^\s*\[\s*({_DOTTED})\s*\]")
_KEY = re.compile(rf"^\s*({_DOTTED})\s*=")
_LONG = ('"' * 3, "'" * 3)


@dataclass(frozen=True)
class Part:
    """A table of the TOML text with the line numbers of its keys."""

    values: Mapping[str, Any]
    path: Path
    lines: Mapping[Path, int]

    def refusal(self, name: str, expected: str, actual: Any) -> MapError:
        """Return an error that names the line, what was expected and what was found."""
        line = line_of((*self.path, name), self.lines)
        where = f"intake map, line {line}, {shown(name)}"
        return MapError(f"{where}: expected {expected}, found {shown(repr(actual))}; nothing was read with it")

    def only(self, *known: str) -> None:
        """Refuse keys of other names."""
        for name in self.values:
            if name not in known:
                raise self.refusal(name, f"one of {', '.join(known)}", name)

    def text(self, name: str, default: str | None = None) -> str:
        """Return a text; an empty one only where that is the default."""
        value = self.values.get(name, default)
        if not isinstance(value, str) or not (value or default == ""):
            raise self.refusal(name, "a text", value)
        return value

    def one_of(self, name: str, known: tuple[str, ...], default: str) -> str:
        """Return one of some words."""
        value = self.text(name, default)
        if value not in known:
            raise self.refusal(name, f"one of {', '.join(known)}", value)
        return value

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of texts, empty where there is none."""
        value = self.values.get(name, [])
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise self.refusal(name, "a list of texts", value)
        return tuple(value)

    def whole(self, name: str, least: int, default: int) -> int:
        """Return a whole number."""
        value = self.values.get(name, default)
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= 10_000:
            raise self.refusal(name, f"a whole number from {least} to 10000", value)
        return value

    def number(self, name: str) -> Decimal:
        """Return a number, which must be there, with its digits as written."""
        value = self.values.get(name)
        if not isinstance(value, int | float) or isinstance(value, bool) or not -1e15 < value < 1e15:
            raise self.refusal(name, "a number", "none" if value is None else value)
        return Decimal(str(value))

    def part(self, name: str) -> Part:
        """Return a table inside this one, empty where there is none."""
        value = self.values.get(name, {})
        if not isinstance(value, dict):
            raise self.refusal(name, "a table of names", value)
        return Part(value, (*self.path, name), self.lines)

    def parts(self, name: str) -> list[Part]:
        """Return the tables of an array, one at least."""
        value = self.values.get(name)
        if not isinstance(value, list) or not value or not all(isinstance(v, dict) for v in value):
            raise self.refusal(name, f"one [[{name}]] or more", value)
        return [Part(v, (*self.path, name, i), self.lines) for i, v in enumerate(value)]

    def words(self) -> dict[str, str]:
        """Return a table whose values are all texts."""
        for name, value in self.values.items():
            if not isinstance(value, str) or not value:
                raise self.refusal(name, "a text", value)
        return dict(self.values)


def key_lines(text: str) -> dict[Path, int]:
    """Find the line of every table and key.

    Parameters
    ----------
    text : str
        TOML that parses.

    Returns
    -------
    dict of path to int
        Paths hold names and, for arrays of tables, places from 0. Keys of inline tables are not listed.
    """
    line_numbers: dict[Path, int] = {}
    arrays: dict[Path, int] = {}
    here: Path = ()
    inside = ""
    for number, row in enumerate(text.splitlines(), 1):
        if inside:
            inside = "" if inside in row else inside
        elif opened := _ARRAY.match(row):
            *parents, last = _parts(opened[1])
            array = (*_placed(parents, arrays), last)
            arrays[array] = arrays.get(array, -1) + 1
            here = (*array, arrays[array])
            line_numbers.setdefault(here, number)
        elif opened := _TABLE.match(row):
            here = _placed(_parts(opened[1]), arrays)
            line_numbers.setdefault(here, number)
        elif key := _KEY.match(row):
            line_numbers.setdefault((*here, *_parts(key[1])), number)
            inside = next((mark for mark in _LONG if row.count(mark) == 1), "")
    return line_numbers


def line_of(path: Path, lines: Mapping[Path, int]) -> int:
    """Return the line of a key, or of what holds it."""
    known = (lines[path[:end]] for end in range(len(path), 0, -1) if path[:end] in lines)
    return next(known, 1)


def _parts(dotted: str) -> list[str]:
    parts = re.findall(_PART, dotted)
    return [part[1:-1].replace('\\"', '"') if part[0] in "\"'" else part for part in parts]


def _placed(names: list[str], arrays: Mapping[Path, int]) -> Path:
    """Follow names to the newest entry of every array on the way."""
    path: Path = ()
    for name in names:
        path = (*path, name)
        if path in arrays:
            path = (*path, arrays[path])
    return path
