"""How an intake map says that times are written: by a format, or as a number counted from some moment. Reads none."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from stillwell.intake.maps.lines import Part
from stillwell.intake.values.wall_times import FIRST_YEAR, STATED_OFFSET

DIRECTIVES = frozenset("YymdjHIMSfpbz%")
COUNTS_US: Mapping[str, int] = MappingProxyType(
    {
        "milliseconds": 1_000,
        "seconds": 1_000_000,
        "minutes": 60_000_000,
        "hours": 3_600_000_000,
        "days": 86_400_000_000,
    }
)
"""What a time may be counted in, and how many microseconds one is."""
SINCE = ("%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S")


@dataclass(frozen=True)
class LocalTime:
    """How a time is put together: columns joined by a space, their format, and an offset or a zone."""

    columns: tuple[str, ...]
    format: str
    offset: str | None = None
    zone: str | None = None
    years_from: int | None = None
    """First of the hundred years that two digits mean; without it 69 is 1969 and 68 is 2068."""
    day_fraction: str | None = None
    """A column that holds how much of the day has passed."""
    rounded_us: int = 1

    @property
    def named(self) -> tuple[str, ...]:
        """Every foreign column a time is made from."""
        return self.columns if self.day_fraction is None else (*self.columns, self.day_fraction)


@dataclass(frozen=True)
class CountedTime:
    """A time counted from a moment, which is one of UTC with an offset of +00:00 and else of a clock."""

    column: str
    counts: str
    since: datetime
    offset: str | None = None
    zone: str | None = None
    rounded_us: int = 1

    @property
    def named(self) -> tuple[str, ...]:
        """The foreign column."""
        return (self.column,)

    @property
    def expected(self) -> str:
        """What a cell must be, in words."""
        return f"a number of {self.counts} since {self.since:%Y-%m-%d %H:%M}, of a year from {FIRST_YEAR}"


Clock = LocalTime | CountedTime


def clock_from(part: Part) -> Clock:
    """Read how a time is written.

    Parameters
    ----------
    part : Part
        Of an intake map.

    Returns
    -------
    LocalTime or CountedTime

    Raises
    ------
    MapError
        If it is not said, not said whole or said twice; names the line.
    """
    part.only("columns", "format", "offset", "zone", "years_from", "day_fraction", "rounded_s", "counts", "since")
    names = part.texts("columns")
    if not names:
        raise part.refusal("columns", "the columns a time is made of", [])
    return _counted(part, names) if "counts" in part.values else _written(part, names)


def _counted(part: Part, names: tuple[str, ...]) -> CountedTime:
    counts = part.one_of("counts", tuple(COUNTS_US), "")
    for name in ("format", "years_from", "day_fraction"):
        if name in part.values:
            raise part.refusal(name, f"nothing beside counts, which says that times are {counts}", part.values[name])
    if len(names) != 1:
        raise part.refusal("columns", f"one column of {counts}", list(names))
    since = _moment(part.text("since", ""))
    if since is None:
        raise part.refusal("since", "the moment counted from, as in 1970-01-01", part.values.get("since", "none"))
    return CountedTime(names[0], counts, since, *_place(part, False), _rounding(part))


def _written(part: Part, names: tuple[str, ...]) -> LocalTime:
    form, fraction = part.text("format"), part.text("day_fraction", "") or None
    if "since" in part.values:
        raise part.refusal("since", "counts beside it, one of " + ", ".join(COUNTS_US), part.values["since"])
    used = set(re.findall(r"%(.)", form))
    whole = used >= {"H", "M"} or used >= {"I", "p", "M"}
    if fraction is not None:
        whole = not used & set("HIMSfp")
    dated = used & {"Y", "y"} and ("j" in used or ("d" in used and used & {"m", "b"}))
    if used - DIRECTIVES or not whole or not dated or not _reads_back(form):
        what = "a date and a time" if fraction is None else "a date without a time"
        raise part.refusal("format", f"{what} of %{' %'.join(sorted(DIRECTIVES - {'%'}))}", form)
    if "rounded_s" in part.values and fraction is None:
        raise part.refusal(
            "rounded_s", "counts or day_fraction beside it; a written time is kept", part.values["rounded_s"]
        )
    years = part.whole("years_from", FIRST_YEAR, FIRST_YEAR) if "years_from" in part.values else None
    if years is not None and "y" not in used:
        raise part.refusal("years_from", "a format with %y, years of two digits", form)
    return LocalTime(names, form, *_place(part, "z" in used), years, fraction, _rounding(part))


def _place(part: Part, in_format: bool) -> tuple[str | None, str | None]:
    """Read where a clock stands: an offset, a zone, or neither where the format holds the offset."""
    offset, zone = part.values.get("offset"), part.values.get("zone")
    if in_format + (offset is not None) + (zone is not None) != 1:
        key = "format" if "format" in part.values else "counts"
        raise part.refusal(key, "one of an offset, a zone, or %z in the format", part.values[key])
    if offset is not None and (not isinstance(offset, str) or not STATED_OFFSET.fullmatch(offset)):
        raise part.refusal("offset", "an offset from UTC such as +01:00", offset)
    if zone is not None:
        _check_zone(part, zone)
    return offset, zone


def _rounding(part: Part) -> int:
    if "rounded_s" not in part.values:
        return 1
    microseconds = part.number("rounded_s") * 1_000_000
    if not 1 <= microseconds <= 86_400_000_000 or microseconds != int(microseconds):
        raise part.refusal("rounded_s", "seconds to round to, 0.000001 to 86400", part.values["rounded_s"])
    return int(microseconds)


def _moment(text: str) -> datetime | None:
    for form in SINCE:
        try:
            return datetime.strptime(text, form)
        except ValueError:
            continue
    return None


def _reads_back(form: str) -> bool:
    try:
        datetime.strptime(datetime(2025, 5, 1, 10, 30, tzinfo=UTC).strftime(form), form)
    except (ValueError, re.error):
        return False
    return True


def _check_zone(part: Part, zone: Any) -> None:
    try:
        ZoneInfo(zone)
    except (TypeError, ValueError, OSError, KeyError, AttributeError) as error:
        raise part.refusal("zone", "a zone of the IANA time zone database, as in Europe/Berlin", zone) from error
