"""Reading a question's parameters: each is what it should be, or the question is refused in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta


class NotFound(Exception):
    """There is no such thing in this archive; the message says so to a person."""


class BadQuestion(Exception):
    """A parameter is not what it should be; the message says what was expected."""


def whole_number(query: Mapping[str, str], name: str, default: int, least: int, most: int) -> int:
    """Read a whole number between two bounds."""
    text = query.get(name, "")
    if text == "" and name not in query:
        return default
    if not (text.isascii() and text.isdigit() and len(text) <= 12 and least <= int(text) <= most):
        msg = f"expected a whole number from {least} to {most} for {name}, found {text[:80]!r}"
        raise BadQuestion(msg)
    return int(text)


def instant(query: Mapping[str, str], name: str, *, end: bool = False) -> datetime | None:
    """Read a day or a time with its offset; a day is its start in UTC, or its end where ``end`` is asked."""
    text = query.get(name, "").strip()
    return None if not text else moment_in(text, name, end=end)


def moment_in(text: str, name: str, *, end: bool = False) -> datetime:
    """Read a day or a time with its offset out of a text."""
    try:
        if len(text) == len("2025-01-01"):
            day = datetime.combine(datetime.strptime(text, "%Y-%m-%d").date(), time(), UTC)
            return day + timedelta(days=1) if end else day
        at = datetime.fromisoformat(text)
        if at.tzinfo is not None:
            return at.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    msg = f"expected a day as 2025-01-31 or a time with its offset as 2025-01-31T18:00Z for {name}, found {text[:80]!r}"
    raise BadQuestion(msg)


def one_of(query: Mapping[str, str], name: str, words: tuple[str, ...], default: str) -> str:
    """Read one of some words."""
    text = query.get(name, "") or default
    if text not in words:
        msg = f"expected one of {', '.join(words)} for {name}, found {text[:80]!r}"
        raise BadQuestion(msg)
    return text
