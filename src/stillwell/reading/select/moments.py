"""Moments given as a datetime or ISO 8601 text; an offset from UTC is never guessed."""

from __future__ import annotations

import re
from datetime import date, datetime

import numpy as np
import pandas as pd

from stillwell.errors import QueryError

Moment = datetime | date | np.datetime64 | str

_DAY = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?")


def moment(value: Moment, what: str) -> pd.Timestamp:
    """Read a moment.

    Parameters
    ----------
    value : datetime, date, numpy.datetime64 or str
        With its offset from UTC. A year, month or day without a time of day is its first moment in UTC, and a
        moment of numpy's, which can carry no offset, is in UTC as in the datasets.
    what : str
        What the moment is for, for the message.

    Returns
    -------
    Timestamp
        In UTC, at microseconds.

    Raises
    ------
    QueryError
        If it is no moment, or lacks its offset.
    """
    whole = isinstance(value, np.datetime64) or is_date(value)
    try:
        read = pd.Timestamp(value)
    except (ValueError, TypeError, OverflowError) as error:
        raise QueryError(_message(value, what)) from error
    if pd.isna(read) or (read.tzinfo is None and not whole):
        raise QueryError(_message(value, what))
    in_utc = read.tz_localize("UTC") if read.tzinfo is None else read.tz_convert("UTC")
    return in_utc.as_unit("us")


def is_date(value: Moment) -> bool:
    """Return whether a value is a year, month or day without a time of day."""
    if isinstance(value, str):
        return _DAY.fullmatch(value) is not None
    return isinstance(value, date) and not isinstance(value, datetime)


def as_of_moment(value: Moment | None) -> datetime | None:
    """Read the moment of an as-of question; a day alone will not do, since much is recorded within one.

    Raises
    ------
    QueryError
        If it is no moment with its offset.
    """
    if value is None:
        return None
    if is_date(value):
        raise QueryError(_message(value, "as_of"))
    return moment(value, "as_of").to_pydatetime()


def _message(value: object, what: str) -> str:
    return f"{what}: expected a moment with its offset, as in 2026-03-31T18:00-07:00; found {value!r}"
