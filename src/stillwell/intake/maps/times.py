"""Times as an intake map describes them to UTC, a column at a time; a time with two readings is never guessed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.intake.maps.clocks import COUNTS_US, Clock, CountedTime, LocalTime
from stillwell.intake.values.cells import flag_array, with_point
from stillwell.intake.values.wall_times import (
    ADJACENT,
    AT_ONCE,
    DAY_US,
    FIRST_YEAR,
    LAST_YEAR,
    MINUTE_US,
    Flags,
    Ints,
    in_zone,
    microseconds,
    pattern,
    read_walls,
)

ADVICE = "; write the one meant with its offset"
"""Where a time is written, not counted."""
_OFFSET = re.compile(r"[+-][0-9]{2}:[0-9]{2}$")
_ANY_OFFSET = re.compile(r"([+-][0-9]{2}:?[0-9]{2}|[Zz])$")
_EPOCH = datetime(1970, 1, 1)
_FIRST, _LAST = (microseconds(datetime(year, 1, 1)) for year in (FIRST_YEAR, LAST_YEAR))

Reader = Callable[[int], tuple[str, str]]
"""What the row of a place says: a time in ISO 8601 with its offset, or nothing and what was expected."""


@dataclass
class Moments:
    """A column of times."""

    time_us: Ints
    """Microseconds since 1970 in UTC."""
    offset_min: Ints
    known: Flags
    """Where there is a time; not where nothing is written, nor where it could not be read."""
    bad: list[tuple[int, str, str]] = field(default_factory=list)
    """Row, what was expected and what was found."""


def moments(texts: Mapping[str, pa.StringArray], clock: Clock, decimal: str) -> Moments:
    """Read a column of times.

    Parameters
    ----------
    texts : mapping of str to string array
        The foreign columns a time is made from, by name.
    clock : LocalTime or CountedTime
    decimal : str
        Mark of decimals.

    Returns
    -------
    Moments
    """
    size = len(texts[clock.named[0]])
    parts = []
    for at in range(0, max(size, 1), AT_ONCE):
        part = _moments({name: column.slice(at, AT_ONCE) for name, column in texts.items()}, clock, decimal)
        part.bad = [(row + at, expected, actual) for row, expected, actual in part.bad]
        parts.append(part)
    if len(parts) == 1:
        return parts[0]
    time, offset, known = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("time_us", "offset_min", "known")
    )
    return Moments(time, offset, known, [cell for part in parts for cell in part.bad])


def _moments(texts: Mapping[str, pa.StringArray], clock: Clock, decimal: str) -> Moments:
    if isinstance(clock, CountedTime):
        words = texts[clock.column]
        wall, ok = _counted(words, COUNTS_US[clock.counts], clock.rounded_us, decimal)
        wall = np.where(ok, wall + microseconds(clock.since), 0)
        ok &= (wall >= _FIRST) & (wall < _LAST)
        return _placed(words, wall, np.zeros(wall.size, dtype=np.int64), ok, clock, lambda _: ("", clock.expected))
    words = _joined([texts[name] for name in clock.columns])
    regex = pattern(clock.format)
    none = np.zeros(len(words), dtype=np.int64)
    wall, offset, ok = (none, none, none > 0) if regex is None else read_walls(words, regex, clock.years_from)
    if clock.day_fraction is None:
        return _placed(words, wall, offset, ok, clock, lambda row: time_with_offset(words[row].as_py(), clock))
    part, good = _counted(texts[clock.day_fraction], DAY_US, clock.rounded_us, decimal)
    good &= (part >= 0) & (part <= DAY_US)
    expected = f"a date written as {clock.format} and {clock.day_fraction!r}, a part of the day from 0 to 1"
    both = _joined([words, texts[clock.day_fraction]])
    return _placed(both, wall + part, offset, ok & good, clock, lambda _: ("", expected))


def _placed(words: pa.StringArray, wall: Ints, offset: Ints, ok: Flags, clock: Clock, read: Reader) -> Moments:
    """Put local times where their offset or zone says, and read what is left one distinct text at a time."""
    shown = flag_array(pc.not_equal(words, ""))
    ok = ok & shown & (wall >= _FIRST)
    once = ok
    if clock.zone is not None:
        utc, alone = in_zone(np.where(ok, wall, 0), clock.zone)
        once = ok & alone
        offset = (wall - utc) // MINUTE_US
    else:
        offset = np.full(wall.size, _minutes(clock.offset)) if clock.offset is not None else offset
        utc = wall - offset * MINUTE_US
    out = Moments(np.where(once, utc, 0), np.where(once, offset, 0), once.copy())
    left = np.flatnonzero(shown & ~once)
    answers: dict[str, tuple[str, str]] = {}
    for row, text in zip(left.tolist(), words.take(pa.array(left)).to_pylist(), strict=True):
        if text not in answers:
            answers[text] = _in_zone(_moment(wall[row]), clock.zone or "") if ok[row] else read(row)
        iso, expected = answers[text]
        if expected and (isinstance(clock, CountedTime) or clock.day_fraction is not None):
            expected = expected.removesuffix(ADVICE)
        moment, minutes = _of_iso(iso) if iso else (None, 0)
        if moment is None:
            out.bad.append((row, expected or f"a time of a year from {FIRST_YEAR}, within 14 h of UTC", repr(text)))
        else:
            out.time_us[row], out.offset_min[row], out.known[row] = microseconds(moment), minutes, True
    return out


def _of_iso(iso: str) -> tuple[datetime | None, int]:
    """Turn a time with its offset to UTC and the offset in minutes; nothing where no clock could have shown it."""
    moment = datetime.fromisoformat(iso)
    minutes = int((moment.utcoffset() or timedelta(0)).total_seconds() // 60)
    if moment.year < FIRST_YEAR or abs(minutes) > 14 * 60:
        return None, 0
    return moment.astimezone(UTC), minutes


def _counted(words: pa.StringArray, unit_us: int, rounded_us: int, decimal: str) -> tuple[Ints, Flags]:
    """Read numbers of a unit of time as microseconds, to the nearest of what is rounded to."""
    plain, good = with_point(words, decimal)
    plain = pc.replace_substring_regex(pc.if_else(good, plain, "0"), r"^\+", "")
    value = pc.cast(plain, pa.float64()).to_numpy(zero_copy_only=False)
    # whole units and the rest apart: a float of all of it would lose microseconds
    simple = pc.match_substring_regex(plain, r"^-?[0-9]{1,15}(\.[0-9]*)?$")
    digits = pc.if_else(simple, plain, "0")
    whole = pc.cast(pc.replace_substring_regex(digits, r"\..*$", ""), pa.int64()).to_numpy(zero_copy_only=False)
    behind = pc.replace_substring_regex(digits, r"^-?[0-9]*\.?", "")
    rest = pc.cast(pc.binary_join_element_wise("0.", behind, "0", ""), pa.float64()).to_numpy(zero_copy_only=False)
    rest = np.where(pc.starts_with(digits, "-").to_numpy(zero_copy_only=False), -rest, rest)
    ok = flag_array(good) & (np.abs(value) * unit_us < 8e18)
    exact = ok & flag_array(simple)
    us = np.where(exact, whole, 0) * unit_us + np.rint(np.where(exact, rest, 0) * unit_us).astype(np.int64)
    us = np.where(exact, us, np.rint(np.where(ok, value, 0) * unit_us).astype(np.int64))
    return (us + rounded_us // 2) // rounded_us * rounded_us, ok


def time_with_offset(text: str, how: LocalTime) -> tuple[str, str]:
    """Read one local time.

    Parameters
    ----------
    text : str
        Date and time as written, cells joined by a space.
    how : LocalTime
        Where it names a zone, a time may still end in an offset of its own, which then holds.

    Returns
    -------
    (str, str)
        The time in ISO 8601 with its offset and nothing, or nothing and what was expected. A time that the clocks of
        the zone showed twice, or never, is expected otherwise, with both readings.
    """
    wall = _read(text, how)
    if wall is None and how.zone is not None and (ending := _OFFSET.search(text)):
        wall, text = _read(text[: ending.start()].rstrip(), how), ending[0]
        if wall is not None:
            return wall.isoformat() + text, ""
    if wall is None:
        return "", f"a time written as {how.format}"
    if how.zone is not None:
        return _in_zone(wall, how.zone)
    return wall.isoformat() + (how.offset or ""), ""


def _read(text: str, how: LocalTime) -> datetime | None:
    try:
        wall = datetime.strptime(text, how.format)
        if how.years_from is not None:
            wall = wall.replace(year=how.years_from + (wall.year - how.years_from) % 100)
    except ValueError:
        return None
    # digits that run together could be cut in more ways than one unless all of them are there
    if not ADJACENT.search(how.format):
        return wall
    if how.format.endswith("%z"):
        text = _ANY_OFFSET.sub("", text)
    return wall if wall.strftime(how.format.removesuffix("%z")) == text else None


def _in_zone(wall: datetime, name: str) -> tuple[str, str]:
    zone = ZoneInfo(name)
    first, second = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first.isoformat(), ""
    shown = wall.isoformat(timespec="minutes")
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == wall:
        early, late = (t.isoformat(timespec="minutes") for t in (first, second))
        words = f"a local time that came once: in {name} {shown} was both {early} and {late}"
    else:
        before, after = sorted(t.astimezone(UTC).astimezone(zone) for t in (first, second))
        readings = f"{before.isoformat(timespec='minutes')} or {after.isoformat(timespec='minutes')}"
        words = f"a local time that there was: in {name} the clocks passed over {shown}; it may mean {readings}"
    return "", words + ADVICE


def _joined(parts: list[pa.StringArray]) -> pa.StringArray:
    return pc.utf8_trim_whitespace(parts[0] if len(parts) == 1 else pc.binary_join_element_wise(*parts, " "))


def _minutes(offset: str) -> int:
    size = int(offset[1:3]) * 60 + int(offset[4:])
    return -size if offset[0] == "-" else size


def _moment(us: int) -> datetime:
    return _EPOCH + timedelta(microseconds=int(us))
