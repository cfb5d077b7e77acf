"""Whether the computer's clock can be believed, held against the moment of the newest commit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from stillwell.archive.ledger.entries import utc_text
from stillwell.errors import ClockRefused

BEHIND = timedelta(minutes=5)
"""How far a clock may stand behind the newest commit; chosen: computers that set their clocks differ by seconds."""
AFTER = timedelta(days=400)
"""How long after the newest commit a clock is believed unasked; chosen: a season's archive gets one commit a year."""

Clock = Callable[[], datetime]


@dataclass(frozen=True)
class RightClock:
    """A clock that a person, or a test with moments of its own, states to be right; no writer stops for it."""

    now: Clock

    def __call__(self) -> datetime:
        """Return the present instant."""
        return self.now()


def check_clock(clock: Clock, present: datetime, newest: datetime) -> None:
    """Refuse a clock that stands too far from the newest commit, unless it is stated to be right.

    Parameters
    ----------
    clock : callable
        Not asked here; a ``RightClock`` is believed.
    present, newest : datetime
        What it says, and the moment of the newest commit.

    Raises
    ------
    ClockRefused
        If the clock stands more than ``BEHIND`` before that moment or more than ``AFTER`` after it.
    """
    if isinstance(clock, RightClock) or newest - BEHIND <= present <= newest + AFTER:
        return
    early = present < newest
    allowed = f"at most {BEHIND.seconds // 60} minutes before" if early else f"at most {AFTER.days} days after"
    msg = (
        f"expected a clock {allowed} the newest commit, of {_to_the_second(newest)}; "
        f"found that this computer's clock says {_to_the_second(present)}; nothing was written"
    )
    raise ClockRefused(msg)


def clock_remarks(present: datetime, newest: datetime) -> list[str]:
    """Name a newest commit that lies in the future; a list of one sentence or none."""
    if newest - BEHIND <= present:
        return []
    return [
        f"the newest commit is of {_to_the_second(newest)}, in the future: this computer's clock says "
        f"{_to_the_second(present)}; a clock was or is wrong, and commits until then would all be of that moment"
    ]


def _to_the_second(moment: datetime) -> str:
    return f"{utc_text(moment.astimezone(UTC))[:19]}Z"
