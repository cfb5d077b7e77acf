"""Reading a question's parameters: each is what it should be, or the question is refused in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from difflib import get_close_matches

from stillwell.errors import QueryError
from stillwell.reading.select.moments import moment
from stillwell.reading.select.spans import Span, span_in


class NotFound(Exception):
    """There is no such thing in this archive; the message says so to a person."""


class BadQuestion(Exception):
    """A parameter is not what it should be; the message says what was expected."""


def refuse_unknown(query: Mapping[str, str], known: Sequence[str]) -> None:
    """Refuse a parameter nobody would read, so that a misspelt filter is no filter left out; name the nearest."""
    for name in sorted(set(query) - set(known)):
        near = get_close_matches(name.lower(), known, 1)
        meant = f"; did you mean {near[0]}?" if near else ""
        said = f"only the parameters {', '.join(known)}" if known else "no parameter"
        msg = f"expected {said}; found {name[:200]!r}{meant}"
        raise BadQuestion(msg)


def whole_number(query: Mapping[str, str], name: str, default: int, least: int, most: int) -> int:
    """Read a whole number between two bounds."""
    text = query.get(name, "")
    if text == "" and name not in query:
        return default
    if not (text.isascii() and text.isdigit() and len(text) <= 12 and least <= int(text) <= most):
        msg = f"expected a whole number from {least} to {most} for {name}, found {text[:80]!r}"
        raise BadQuestion(msg)
    return int(text)


def instant(query: Mapping[str, str], name: str) -> datetime | None:
    """Read a time with its offset, or a date, which is its first moment in UTC."""
    text = query.get(name, "").strip()
    if not text:
        return None
    with asked_well():
        return moment(text, name).to_pydatetime()


def span(query: Mapping[str, str], name: str) -> Span:
    """Read a span written in one parameter; see ``spans.span_in``."""
    with asked_well():
        return span_in(query.get(name, ""), name)


@contextmanager
def asked_well() -> Iterator[None]:
    """Refuse a parameter that reads as no moment or span."""
    try:
        yield
    except QueryError as error:
        raise BadQuestion(str(error)[:300]) from error


def one_of(query: Mapping[str, str], name: str, words: tuple[str, ...], default: str) -> str:
    """Read one of some words."""
    text = query.get(name, "") or default
    if text not in words:
        msg = f"expected one of {', '.join(words)} for {name}, found {text[:80]!r}"
        raise BadQuestion(msg)
    return text
