"""Local times as an intake map describes them to ISO 8601 with an offset; a time with two readings is never guessed."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from stillwell.intake.maps import LocalTime

_OFFSET = re.compile(r"[+-][0-9]{2}:[0-9]{2}$")
_ADJACENT = re.compile(r"%[A-Za-z]%[A-Za-z]")


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
    wall = _read(text, how.format)
    if wall is None and how.zone is not None and (said := _OFFSET.search(text)):
        wall, text = _read(text[: said.start()].rstrip(), how.format), said[0]
        if wall is not None:
            return wall.isoformat() + text, ""
    if wall is None:
        return "", f"a time written as {how.format}"
    if how.zone is not None:
        return _in_zone(wall, how.zone)
    return wall.isoformat() + (how.offset or ""), ""


def _read(text: str, form: str) -> datetime | None:
    try:
        wall = datetime.strptime(text, form)
    except ValueError:
        return None
    # digits that run together could be cut in more ways than one unless all of them are there
    return None if _ADJACENT.search(form) and wall.strftime(form) != text else wall


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
    return "", f"{words}; write the one meant with its offset"
