"""How pages write values: each escaped, rounded for the eye, and in words where it is missing."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup, escape

from stillwell.drawing.svg import without_style
from stillwell.reading.printed.text import significant
from stillwell.reading.trace.graph import harmless

NONE = Markup('<span class="none">none</span>')


def label(value: Any) -> Markup:
    """Write what somebody else wrote: escaped, on one line, marks of direction made visible, set apart."""
    return NONE if _missing(value) or value == "" else Markup("<bdi>{}</bdi>").format(harmless(str(value)))


def number(value: Any, digits: int = 4) -> Markup:
    """Write a number rounded for the eye, the whole of it as a title."""
    if isinstance(value, (bool, int)):
        return escape(str(value))
    return NONE if _missing(value) else _titled(value, significant(float(value), digits))


def given(value: Any) -> Markup:
    """Write a number that was handed in, without digits it did not have."""
    return NONE if _missing(value) else _titled(value, f"{float(value):.7g}")


def signed(value: Any) -> Markup:
    """Write a departure in percent with its sign, to a tenth."""
    return NONE if _missing(value) else _titled(value, f"{float(value):+.1f}")


def when(value: Any, form: str = "%Y-%m-%d %H:%M") -> Markup:
    """Write a moment in UTC."""
    if value is None or pd.isna(value):
        return NONE
    at = pd.Timestamp(value).tz_convert("UTC")
    return Markup('<time datetime="{}">{}</time>').format(at.isoformat(), at.strftime(form))


def day(value: Any) -> Markup:
    """Write the day of a moment in UTC."""
    return when(value, "%Y-%m-%d")


def shown(value: Any) -> Any:
    """Write what no other filter wrote: nothing where it is missing, unprintable characters as escapes."""
    if isinstance(value, str):
        return value if isinstance(value, Markup) else "\n".join(map(harmless, value.split("\n")))
    return "" if not isinstance(value, (list, tuple, dict)) and _missing(value) else value


def drawn(svg: str) -> Markup:
    """Set a drawing into a page; it escapes its own labels, and the style of drawings stands once for the page."""
    return Markup(without_style(svg))


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows as dicts, missing as None."""
    plain = frame.astype(object).where(frame.notna(), None)
    return [{str(name): value for name, value in row.items()} for row in plain.to_dict("records")]


def first_record(frame: pd.DataFrame) -> dict[str, Any]:
    """Return the first row as a dict, missing as None."""
    return records(frame.head(1))[0]


def _missing(value: Any) -> bool:
    return value is None or value is pd.NA or bool(value != value)


def _titled(value: Any, text: str) -> Markup:
    return Markup('<span title="{}">{}</span>').format(repr(float(value)), text)
