"""Templates filled: every value is escaped, drawings are set in, nothing outside the page is referred to."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from importlib import resources
from typing import Any

import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from stillwell.archive.archive import Archive
from stillwell.drawing.colours import DARK, LIGHT, style, variables
from stillwell.drawing.scales import plain
from stillwell.drawing.svg import without_style
from stillwell.number_words import within
from stillwell.reading.printed.show import CAUTION
from stillwell.reading.printed.text import significant, time_text
from stillwell.reading.trace.graph import harmless

DASH = "–"

PRINTING = (
    "To print it or to make a PDF, open this page in a browser and print; it is laid out for A4 and needs no network."
)


def page(template: str, archive: Archive, **values: Any) -> str:
    """Fill a template.

    Parameters
    ----------
    template : str
        Name of a template of this package.
    archive : Archive
        Whose newest commit the foot of the page names.
    **values
        What the template asks for; strings are escaped.

    Returns
    -------
    str
        A whole HTML document; the same archive gives the same bytes.
    """
    head = archive.ledger.head()
    stands = "" if head is None else f"commit {head.number}, recorded {moment(head.recorded_at)}"
    return _environment().get_template(template).render(stands=stands, caution=CAUTION, printing=PRINTING, **values)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("stillwell.reporting"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )
    environment.filters |= {
        "num": num,
        "moment": moment,
        "day": day,
        "short": short,
        "brief": brief,
        "height": height,
        "within": within,
    }
    sheet = resources.files("stillwell.reporting").joinpath("templates", "style.css").read_text(encoding="utf-8")
    environment.globals["sheet"] = Markup(f"{_colours()}{sheet}{style()}")
    return environment


def _colours() -> str:
    dark = f"@media screen and (prefers-color-scheme:dark){{:root{{{variables(DARK)}--page:#10171b;}}}}"
    return f":root{{{variables(LIGHT)}--page:#f4f2ec;}}{dark}"


def _shown(value: Any) -> Any:
    """Show a missing value as nothing, and control characters of a label as escapes."""
    if value is None or (not isinstance(value, (list, tuple, dict, str)) and pd.isna(value)):
        return ""
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return value if value.isprintable() else "\n".join(harmless(row) for row in value.split("\n"))


def drawn(svg: str) -> Markup:
    """Set a drawing in; it escapes its own labels."""
    return Markup(without_style(svg))


def num(value: Any, digits: int = 4) -> str:
    """Round for the eye; a dash where there is no number."""
    return DASH if value is None or pd.isna(value) else significant(float(value), digits)


def short(value: Any) -> str:
    """Write a limit as it was set, without zeros it was not given."""
    return DASH if value is None or pd.isna(value) else plain(float(value))


def brief(value: Any) -> str:
    """Write a coefficient to five figures, without useless zeros."""
    return DASH if value is None or pd.isna(value) else f"{float(value):.5g}"


def height(value: Any) -> str:
    """Write a stage to the millimetre; a dash where there is none."""
    return DASH if value is None or pd.isna(value) else f"{float(value):.3f}"


def moment(value: Any) -> str:
    """Write an instant in UTC to the minute, or to the second where it holds one; a dash where there is none."""
    if value is None or pd.isna(value):
        return DASH
    at = pd.Timestamp(value)
    if at.second or at.microsecond:
        return time_text(datetime.fromisoformat(at.floor("s").isoformat())).replace("T", " ").replace("Z", " UTC")
    return f"{at:%Y-%m-%d %H:%M} UTC"


def day(value: Any) -> str:
    """Write the date (UTC) of an instant; a dash where there is none."""
    return DASH if value is None or pd.isna(value) else f"{pd.Timestamp(value):%Y-%m-%d}"


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Lay rows out for a template; what is missing is None."""
    bare = frame.astype(object).where(frame.notna(), None)
    return [dict(zip(bare.columns, row, strict=True)) for row in bare.itertuples(index=False)]


def some(frame: pd.DataFrame, most: int) -> tuple[pd.DataFrame, int]:
    """Keep the first rows of a frame and count the rest."""
    return frame.iloc[:most], max(len(frame) - most, 0)


def us(times: pd.Series) -> pd.Series:
    """Turn instants into microseconds since 1970."""
    return times.dt.as_unit("us").astype("int64")
