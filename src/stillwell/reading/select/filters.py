"""Checks the arguments of a question on a table against the archive's description. Reads no rows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from stillwell.errors import QueryError
from stillwell.reading.select.described import TRAIL, ColumnOf, Described
from stillwell.reading.select.moments import Moment
from stillwell.reading.select.spans import EVER, Condition, Span, span_of

Wanted = str | bool | int | Iterable[str]
"""Value of a filter: one, or several of which any may match."""

_FILTERED = ("string", "boolean", "integer")
_NAMED = 20


@dataclass(frozen=True)
class Question:
    """A question on one table."""

    table: Described
    sites: tuple[str, ...] | None = None
    span: Span = EVER
    where: Mapping[str, tuple[Any, ...]] | None = None
    """Allowed values by column of the table."""
    of_gauging: Mapping[str, tuple[Any, ...]] | None = None
    """Allowed values by column of ``gaugings``, for a table whose rows belong to gaugings."""
    columns: tuple[str, ...] | None = None
    revisions: bool = False

    @property
    def named(self) -> list[str]:
        """Columns of the answer."""
        return list(self.table.columns if self.columns is None else self.columns)

    @property
    def in_time(self) -> list[Condition]:
        """Conditions of the span on the table's own time; none where it has none of its own."""
        return self.span.conditions_on(self.table) if self.span and self.table.time is not None else []


@dataclass(frozen=True)
class Arguments:
    """The arguments of a question as given."""

    site: str | Iterable[str] | None = None
    start: Moment | None = None
    end: Moment | None = None
    columns: str | Iterable[str] | None = None
    where: Mapping[str, Wanted | None] | None = None


def question(
    table: Described,
    gaugings: Described | None,
    sites: Iterable[str],
    given: Arguments,
    revisions: bool,
) -> Question:
    """Check arguments and make a question of them.

    Parameters
    ----------
    table : Described
    gaugings : Described or None
        The table of gaugings, whose columns filter the rows that belong to a gauging.
    sites : iterable of str
        The sites of the archive.
    given : Arguments
    revisions : bool

    Returns
    -------
    Question

    Raises
    ------
    QueryError
        If a filter, a column or a value is none that the table knows.
    """
    lent = gaugings if table.of_gaugings and table.table != "gaugings" else None
    where, of_gauging = _values(table, lent, given.where or {})
    _check_times(table, lent, given)
    return Question(
        table,
        sites=_sites(table, lent, sites, given.site),
        span=span_of(given.start, given.end),
        where=where,
        of_gauging=of_gauging,
        columns=_columns(table, given.columns),
        revisions=revisions,
    )


def filters_of(table: Described, lent: Described | None) -> list[str]:
    """Return the filters of a table."""
    named = ["site"] if "site" in table.columns else []
    named += ["start", "end"] if table.time or lent is not None else []
    own = [c.name for c in table.columns.values() if c.kind in _FILTERED and c.name != "site"]
    others = [c.name for c in lent.columns.values() if c.kind in _FILTERED and c.name not in TRAIL] if lent else []
    return list(dict.fromkeys([*named, *own, *others]))


def _values(
    table: Described, lent: Described | None, given: Mapping[str, Wanted | None]
) -> tuple[dict[str, tuple[Any, ...]], dict[str, tuple[Any, ...]]]:
    """Split the filters on values into those on the table and those on the gaugings."""
    mine: dict[str, tuple[Any, ...]] = {}
    theirs: dict[str, tuple[Any, ...]] = {}
    for name, wanted in given.items():
        if wanted is None:
            continue
        if name not in filters_of(table, lent):
            raise QueryError(_unknown(table, lent, name))
        own = name in table.columns
        column = table.columns[name] if own or lent is None else lent.columns[name]
        (mine if own else theirs)[name] = _checked(column, wanted)
    return mine, theirs


def _unknown(table: Described, lent: Described | None, name: str) -> str:
    known = filters_of(table, lent)
    near = get_close_matches(name, known, 1)
    return f"{table.table}: expected a filter of {', '.join(known)}; found {name!r}" + (
        f"; did you mean {near[0]}?" if near else ""
    )


def _checked(column: ColumnOf, wanted: Wanted) -> tuple[Any, ...]:
    values = _several(wanted)
    kind = {"string": str, "boolean": bool, "integer": int}[column.kind]
    wrong = [v for v in values if not isinstance(v, kind) or (kind is int and isinstance(v, bool))]
    if wrong:
        msg = f"{column.name}: expected {_EXPECTED[kind]}, found {wrong[0]!r}"
        raise QueryError(msg)
    unknown = [v for v in values if column.words and v not in column.words]
    if unknown:
        msg = f"{column.name}: expected one of {', '.join(column.words)}; found {unknown[0]!r}"
        raise QueryError(msg)
    return values


_EXPECTED = {str: "text", bool: "True or False", int: "a whole number"}


def _several(wanted: Wanted) -> tuple[Any, ...]:
    return tuple(wanted) if isinstance(wanted, Iterable) and not isinstance(wanted, str) else (wanted,)


def _check_times(table: Described, lent: Described | None, given: Arguments) -> None:
    for name, value in (("start", given.start), ("end", given.end)):
        if value is not None and table.time is None and lent is None:
            raise QueryError(_unknown(table, lent, name))


def _sites(
    table: Described, lent: Described | None, known: Iterable[str], wanted: str | Iterable[str] | None
) -> tuple[str, ...] | None:
    if wanted is None:
        return None
    if "site" not in table.columns:
        raise QueryError(_unknown(table, lent, "site"))
    codes, values = sorted(known), _several(wanted)
    for value in values:
        if value not in codes:
            some = ", ".join(codes[:_NAMED]) + (f" and {len(codes) - _NAMED} more" if len(codes) > _NAMED else "")
            msg = f"site: expected one of {some or 'no site, there is none yet'}; found {value!r}"
            raise QueryError(msg)
    return values


def _columns(table: Described, wanted: str | Iterable[str] | None) -> tuple[str, ...] | None:
    if wanted is None:
        return None
    values = _several(wanted)
    for value in values:
        if value not in table.columns:
            msg = f"{table.table}: expected columns of {', '.join(table.columns)}; found {value!r}"
            raise QueryError(msg)
    return values
