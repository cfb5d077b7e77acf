"""Spans of time and conditions on rows: one rule for API, reading room, commands, Python and SQL alike.

A date may be a year, a month or a day. A single moment is the span of that moment alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.errors import QueryError
from stillwell.reading.select.described import Described
from stillwell.reading.select.moments import Moment, is_date, moment

RULE = (
    "A span holds start <= t < end; a date stands for its first moment, in UTC or, of days, at the site's offset, "
    "and a date alone for its 24 hours."
)
"""The rule in one sentence, as every page of the documentation gives it."""
DAY_STARTS = "starts_at"
"""Column of the first moment of a row's day, at the site's offset."""
INSTANT = pd.Timedelta(1, "us")
"""The archive's resolution of time."""
_WIDTH = {4: pd.DateOffset(years=1), 7: pd.DateOffset(months=1), 10: pd.DateOffset(days=1)}
"""How long a date is, by its letters."""


@dataclass(frozen=True)
class Bound:
    """A start or an end: the moment in UTC, and whether only a date was given."""

    at: pd.Timestamp
    is_date: bool = False


@dataclass(frozen=True)
class Span:
    """A half-open span of time; an end that is None is open."""

    start: Bound | None = None
    end: Bound | None = None

    def __bool__(self) -> bool:
        return self.start is not None or self.end is not None

    def holds(self, times: pd.Series) -> NDArray[np.bool_]:
        """Mark the instants that lie in it; a missing one does not."""
        return fits(times.to_frame("t"), self.conditions("t"))

    def conditions(self, time: str) -> list[Condition]:
        """Write it as conditions on a column of instants."""
        ends = ((">=", self.start), ("<", self.end))
        return [Condition(time, sign, end.at) for sign, end in ends if end is not None]

    def conditions_on(self, table: Described) -> list[Condition]:
        """Write it as conditions on the columns by which the rows of a table lie in time."""
        time = str(table.time)
        if table.columns[time].kind == "datetime":
            return self.conditions(time)
        # a day is compared by its date with a date, and by the moment it starts at with a moment
        conditions = []
        for sign, end in ((">=", self.start), ("<", self.end)):
            if end is not None and (end.is_date or DAY_STARTS not in table.columns):
                conditions.append(Condition(time, sign, f"{end.at:%Y-%m-%d}"))
            elif end is not None:
                conditions.append(Condition(DAY_STARTS, sign, end.at))
        return conditions


EVER = Span()
"""The span that holds all times."""


@dataclass(frozen=True)
class Condition:
    """What a row must meet: its cell in ``column`` is among values (``in``), not below (``>=``) or below (``<``) one.

    A missing cell meets none.
    """

    column: str
    sign: str
    value: Any


def of_values(values: Mapping[str, Sequence[Any]] | None) -> list[Condition]:
    """Write allowed values by column as conditions."""
    return [Condition(name, "in", tuple(wanted)) for name, wanted in (values or {}).items()]


def fits(rows: pd.DataFrame, conditions: Sequence[Condition]) -> NDArray[np.bool_]:
    """Mark the rows of a frame that meet all conditions."""
    inside = np.ones(len(rows), dtype=bool)
    for one in conditions:
        cells = rows[one.column]
        if one.sign == "in":
            met = cells.isin(list(one.value)) & cells.notna()
        else:
            met = cells >= one.value if one.sign == ">=" else cells < one.value
        inside &= met.fillna(False).to_numpy(dtype=bool)
    return inside


def in_sql(conditions: Sequence[Condition], of: str) -> tuple[str, list[Any]]:
    """Write conditions as SQL on a relation of that name, with the values that fill its question marks.

    The names of columns must be the archive's own.
    """
    parts, values = ["true"], list[Any]()
    for one in conditions:
        column = f'{of}."{one.column}"'
        if one.sign == "in":
            parts.append(f"{column} IN ({', '.join('?' * len(one.value))})" if one.value else "false")
            values += list(one.value)
        elif isinstance(one.value, pd.Timestamp):
            parts.append(f"{column} {one.sign} ?::TIMESTAMPTZ")
            values.append(one.value.isoformat())
        else:
            parts.append(f"{column} {one.sign} ?")
            values.append(one.value)
    return " AND ".join(parts), values


def bound(value: Moment | None, what: str) -> Bound | None:
    """Read a start or an end; see ``moments.moment``."""
    return None if value is None else Bound(moment(value, what), is_date(value))


def span_of(start: Moment | None, end: Moment | None, names: tuple[str, str] = ("start", "end")) -> Span:
    """Read a span from its two ends.

    Raises
    ------
    QueryError
        If one is no moment, lacks its offset, or the end is not after the start.
    """
    span = Span(bound(start, names[0]), bound(end, names[1]))
    if span.start is not None and span.end is not None and span.end.at <= span.start.at:
        msg = f"expected an end after the start {start}, found {end}; the end is not part of a span"
        raise QueryError(msg)
    return span


def span_in(text: str, name: str) -> Span:
    """Read a span from text: ``start/end``, of which one may be left out or ``..``, or a single date or moment.

    Raises
    ------
    QueryError
        As ``span_of``.
    """
    if not text:
        return EVER
    first, slash, last = text.partition("/")
    if slash:
        ends = [None if part in {"", ".."} else part for part in (first, last)]
        return span_of(ends[0], ends[1], (f"the start of {name}", f"the end of {name}"))
    start = bound(text, name)
    assert start is not None
    if not start.is_date:
        return Span(start, Bound(start.at + INSTANT))
    try:
        return Span(start, Bound(start.at + _WIDTH[len(text)], is_date=True))
    except (ValueError, OverflowError) as error:
        msg = f"{name}: expected a date before the end of 9999, found {text!r}"
        raise QueryError(msg) from error
