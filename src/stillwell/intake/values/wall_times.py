"""Dates and times as written to microseconds, a column at a time. What it cannot take at once is left to others."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from types import MappingProxyType

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
ISO = (
    r"^(?P<Y>[0-9]{4})-(?P<m>[0-9]{2})-(?P<d>[0-9]{2})[T ](?P<H>[0-9]{2}):(?P<M>[0-9]{2})"
    r"(?::(?P<S>[0-9]{2})(?:\.(?P<f>[0-9]{1,6}))?)?(?P<z>Z|[+-][0-9]{2}:[0-9]{2})$"
)
"""The commonest writing of ISO 8601 with an offset."""
ADJACENT = re.compile(r"%[A-Za-z]%[A-Ya-y]")
"""Directives that run together; an offset begins with a sign or a letter, so where it stands is plain."""
AT_ONCE = 2**17
"""Rows read at once, so that what is needed in between does not grow with a file."""
DAY_US, MINUTE_US = 86_400_000_000, 60_000_000
FIRST_YEAR, LAST_YEAR = 1700, 2200
"""Nobody gauged a river before; what says it was done after is a slip of the pen, and no calendar carries it."""
STATED_OFFSET = re.compile(r"[+-](0[0-9]|1[0-4]):[0-5][0-9]")
"""An offset from UTC as a map or a workbook states it for all its times."""
_ONE_OR_TWO = MappingProxyType(
    {
        **dict.fromkeys("mdHIMS", "[0-9]{1,2}"),
        **{"Y": "[0-9]{4}", "y": "[0-9]{2}", "j": "[0-9]{1,3}", "f": "[0-9]{1,6}"},
        **{"b": "[a-z]{3}", "p": "am|pm", "z": "[+-][0-9]{2}:?[0-9]{2}|z"},
    }
)
_WHOLE = MappingProxyType(
    {
        **dict.fromkeys("ymdHIMS", "[0-9]{2}"),
        **{"Y": "[0-9]{4}", "j": "[0-9]{3}", "z": _ONE_OR_TWO["z"]},
    }
)
"""Digits that run together are cut in one way only when all of them are there."""


@cache
def pattern(form: str) -> str | None:
    """Put a format of ``%`` and letters as a pattern with a group for each.

    Parameters
    ----------
    form : str

    Returns
    -------
    str or None
        None where times of this format have to be read one at a time.
    """
    fields = _WHOLE if ADJACENT.search(form) else _ONE_OR_TWO
    letters = re.findall("%([A-Za-z])", form)
    literal = re.sub("%[A-Za-z%]", "", form)
    both = ("H", "I"), ("Y", "y"), ("j", "d"), ("j", "m"), ("m", "b"), ("j", "b")
    odd = any(c.isalnum() and c != "T" for c in literal) or any(
        first in letters and other in letters for first, other in both
    )
    if odd or set(letters) - set(fields):
        return None
    out = ""
    for piece in re.findall(r"%.|\s+|[^%\s]+", form):
        if piece == "%%":
            out += "%"
        elif piece[0] == "%":
            out += f"(?P<{piece[1]}>{fields[piece[1]]})"
        else:
            out += r"\s+" if piece.isspace() else re.escape(piece)
    return f"(?i)^{out}$"


def read_walls(texts: pa.StringArray, regex: str, years_from: int | None = None) -> tuple[Ints, Ints, Flags]:
    """Read dates and times.

    Parameters
    ----------
    texts : string array
    regex : str
        From ``pattern``, or ``ISO``.
    years_from : int, optional
        First of the hundred years that two digits mean; without it 1969.

    Returns
    -------
    int array, int array, bool array
        Microseconds since 1970 on that clock; offset of the clock from UTC in minutes, 0 where none is written; and
        where both could be read, both being 0 elsewhere.
    """
    parts = [_walls(texts.slice(at, AT_ONCE), regex, years_from) for at in range(0, max(len(texts), 1), AT_ONCE)]
    us, offset, ok = (np.concatenate(each) for each in zip(*parts, strict=True))
    return us, offset, ok


def _walls(texts: pa.StringArray, regex: str, years_from: int | None) -> tuple[Ints, Ints, Flags]:
    matched = pc.extract_regex(pc.fill_null(texts, ""), regex)
    ok = np.array(pc.is_valid(matched).to_numpy(zero_copy_only=False), dtype=bool)
    groups = {field.name: matched.field(i) for i, field in enumerate(matched.type)}
    days, good = _days(groups, 1969 if years_from is None else years_from)
    ok &= good
    hour = _whole(groups, "H", 0)
    if "I" in groups:
        twelve, late = _whole(groups, "I", 0), _is(groups["p"], "pm")
        ok &= (twelve >= 1) & (twelve <= 12)
        hour = twelve % 12 + 12 * late
    minute, second = _whole(groups, "M", 0), _whole(groups, "S", 0)
    ok &= (hour < 24) & (minute < 60) & (second < 60)
    us = days * DAY_US + ((hour * 60 + minute) * 60 + second) * 1_000_000
    if "f" in groups:
        us += _whole({"f": pc.utf8_rpad(groups["f"], 6, "0")}, "f", 0)
    offset = _offset(groups["z"]) if "z" in groups else np.zeros(1, dtype=np.int64)
    ok &= np.abs(offset) <= 14 * 60
    return np.where(ok, us, 0), np.where(ok, offset, 0), ok


def in_zone(wall_us: Ints, zone: str) -> tuple[Ints, Flags]:
    """Turn local times into UTC; those the clocks showed twice or never are marked and left.

    Parameters
    ----------
    wall_us : int array
        Microseconds since 1970 on the clocks of the zone.
    zone : str

    Returns
    -------
    int array, bool array
        Microseconds since 1970 in UTC, and where a time had one reading.
    """
    local = pd.DatetimeIndex(wall_us.view("datetime64[us]"))
    placed = local.tz_localize(zone, ambiguous="NaT", nonexistent="NaT").tz_convert("UTC").as_unit("us")
    once = ~np.asarray(placed.isna())
    return np.where(once, placed.asi8, 0), once


def microseconds(moment: datetime) -> int:
    """Count the microseconds since 1970 on a clock, whatever its offset."""
    delta = moment.replace(tzinfo=None) - datetime(1970, 1, 1)
    return delta.days * DAY_US + delta.seconds * 1_000_000 + delta.microseconds


def offset_text(minutes: int) -> str:
    """Write an offset from UTC as +02:00."""
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _days(groups: Mapping[str, pa.Array], years_from: int) -> tuple[Ints, Flags]:
    """Count days since 1970, and say where there is such a date."""
    short = years_from + (_whole(groups, "y", 70) - years_from) % 100
    year = _whole(groups, "Y", 1970) if "Y" in groups else short
    ok = (year >= 1) & (year <= 9999)
    if "j" in groups:
        begins, ends = ((year + k - 1970).astype("datetime64[Y]").astype("datetime64[D]") for k in (0, 1))
        day = _whole(groups, "j", 1)
    else:
        month = _month(groups)
        ok &= (month >= 1) & (month <= 12)
        months = (year - 1970) * 12 + month - 1
        begins, ends = ((months + k).astype("datetime64[M]").astype("datetime64[D]") for k in (0, 1))
        day = _whole(groups, "d", 1)
    ok &= (day >= 1) & (day <= (ends - begins).astype(np.int64))
    return begins.astype(np.int64) + day - 1, ok


def _month(groups: Mapping[str, pa.Array]) -> Ints:
    if "m" in groups:
        return _whole(groups, "m", 1)
    place = pc.index_in(pc.utf8_lower(groups["b"]), pa.array(MONTHS))
    return pc.fill_null(place, -1).to_numpy(zero_copy_only=False).astype(np.int64) + 1


def _whole(groups: Mapping[str, pa.Array], name: str, default: int) -> Ints:
    """Read digits; the default where there are none."""
    if name not in groups:
        return np.full(1, default, dtype=np.int64)
    digits = pc.if_else(pc.equal(groups[name], ""), str(default), groups[name])
    return pc.fill_null(pc.cast(digits, pa.int64()), default).to_numpy(zero_copy_only=False)


def _is(texts: pa.Array, word: str) -> Ints:
    return pc.fill_null(pc.equal(pc.utf8_lower(texts), word), False).to_numpy(zero_copy_only=False).astype(np.int64)


def _offset(texts: pa.Array) -> Ints:
    """Read offsets from UTC in minutes; an impossible number where the minutes are 60 or more."""
    coded = pc.fill_null(texts, "Z").dictionary_encode()
    minutes = []
    for text in coded.dictionary.to_pylist():
        digits = text[1:].replace(":", "")
        size = int(digits[:2]) * 60 + int(digits[2:]) if digits else 0
        minutes.append(10_000 if digits and int(digits[2:]) > 59 else -size if text.startswith("-") else size)
    return np.array([*minutes, 0], dtype=np.int64)[coded.indices.to_numpy()]
