"""The query parameters of the room in one table; parse and validate them by it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches

from stillwell.errors import QueryError
from stillwell.pages.data.window import AXES, WIDTH
from stillwell.reading.select.moments import moment
from stillwell.reading.select.spans import RULE, Span, span_in


@dataclass(frozen=True)
class Parameter:
    """A parameter: its meaning, and what it may be.

    ``whole`` is the least, the greatest and the default of a whole number; ``words`` are all that is allowed, the first
    of them the default. Without either it is text, of which ``example`` is one.
    """

    meaning: str
    whole: tuple[int, int, int] | None = None
    words: tuple[str, ...] = ()
    example: str = ""


_SPAN = f"start/end, an open end as .., or a date or a time alone. {RULE}"
_LAST = 10**6
PARAMETERS: Mapping[str, Parameter] = {
    "as_of": Parameter("the archive as it stood at this day or time with its offset", example="2025-10-15"),
    "page": Parameter("page of a list", whole=(1, _LAST, 1)),
    "limit": Parameter("rows in the answer", whole=(1, 1000, 100)),
    "offset": Parameter("rows passed over", whole=(0, 10**9, 0)),
    "site": Parameter("only rows of this site"),
    "gauging_id": Parameter("only rows of this gauging"),
    "instrument": Parameter("only rows of this meter"),
    "code": Parameter("only findings of this code"),
    "severity": Parameter("only findings of this severity"),
    "status": Parameter("only gaugings of this status"),
    "check": Parameter("only rows of this check"),
    "deposit": Parameter("only rows that rest on this deposit"),
    "rating": Parameter("only rows of this rating"),
    "sensor": Parameter("only rows of this sensor"),
    "datetime": Parameter(_SPAN, example="2025-01-01/.."),
    "bbox": Parameter("west,south,east,north in degrees", example="-30,47,-29,48"),
    "revisions": Parameter("the rows that stand, or all", words=("standing", "all")),
    "revision": Parameter("revision of a gauging; 0 for the one that stands", whole=(0, _LAST, 0)),
    "since": Parameter("only findings recorded from this date or time on", example="2025-01-01"),
    "outcome": Parameter("deposits by what became of them", words=("all", "taken", "returned")),
    "series": Parameter("name of the series; the first one if left out"),
    "from": Parameter("date, or time with its offset", example="2025-01-01"),
    "to": Parameter("date, or time with its offset; not included", example="2026-01-01"),
    "width": Parameter("spans of the window", whole=(10, 5000, WIDTH)),
    "axis": Parameter("upright axis of the drawing", words=AXES),
    "scale": Parameter("axes of the rating", words=("linear", "log")),
    "of": Parameter("archive id of a gauging; forward: a site, meter, check, deposit, policy"),
    "way": Parameter("back to the bytes, or forward", words=("back", "forward")),
    "file": Parameter("name of a file of a deposit"),
    "lines": Parameter("lines of a file"),
    "number": Parameter("place of a file in its deposit", whole=(0, _LAST, 0)),
    "q": Parameter("text to search for"),
}
"""Every parameter that some address reads."""
EQUAL = ("site", "gauging_id", "instrument", "code", "severity", "status", "check", "deposit", "rating", "sensor")
"""Columns a question can name, where the table has them."""
ROWS = (*EQUAL, "datetime", "bbox", "revisions")
ITEMS = ("limit", "offset", *ROWS)
WINDOW = ("series", "from", "to", "width", "axis")
TRACE = ("of", "way")


class NotFound(Exception):
    """There is no such thing in this archive; the message says so to a person."""


class BadQuestion(Exception):
    """A parameter is not what it should be; the message says what was expected."""


def refuse_unknown(query: Mapping[str, str], known: Sequence[str]) -> None:
    """Refuse an unknown parameter and name the nearest known one, so that a misspelt filter is not ignored."""
    for name in sorted(set(query) - set(known)):
        near = get_close_matches(name.lower(), known, 1)
        meant = f"; did you mean {near[0]}?" if near else ""
        allowed = f"only the parameters {', '.join(known)}" if known else "no parameter"
        msg = f"expected {allowed}; found {name[:200]!r}{meant}"
        raise BadQuestion(msg)


def whole_number(query: Mapping[str, str], name: str, default: int | None = None) -> int:
    """Read a whole number within its bounds; without it the default of the table, or another.

    Raises
    ------
    BadQuestion
        If it is no whole number, or beyond its bounds.
    """
    bounds = PARAMETERS[name].whole
    assert bounds is not None
    least, most, usual = bounds
    if name not in query:
        return usual if default is None else default
    text = query[name]
    if not (text.isascii() and text.isdigit() and len(text) <= 12 and least <= int(text) <= most):
        msg = f"expected a whole number from {least} to {most} for {name}, found {text[:80]!r}"
        raise BadQuestion(msg)
    return int(text)


def instant(query: Mapping[str, str], name: str) -> datetime | None:
    """Read a time with its offset, or a date, which is its first moment in UTC."""
    text = query.get(name, "").strip()
    if not text:
        return None
    with refused_in_words():
        return moment(text, name).to_pydatetime()


def span(query: Mapping[str, str], name: str) -> Span:
    """Read a span written in one parameter; see ``spans.span_in``."""
    with refused_in_words():
        return span_in(query.get(name, ""), name)


@contextmanager
def refused_in_words() -> Iterator[None]:
    """Raise BadQuestion for a parameter that is no moment or span."""
    try:
        yield
    except QueryError as error:
        raise BadQuestion(str(error)[:300]) from error


def one_of(query: Mapping[str, str], name: str) -> str:
    """Read one of the words a parameter may be, the first of them where it is left out or empty.

    Raises
    ------
    BadQuestion
        If it is another word.
    """
    words = PARAMETERS[name].words
    text = query.get(name, "") or words[0]
    if text not in words:
        msg = f"expected one of {', '.join(words)} for {name}, found {text[:80]!r}"
        raise BadQuestion(msg)
    return text
