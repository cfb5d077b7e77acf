"""Discharge by the day: mean, least, greatest, how much of the day is known. Never the rating of a mean stage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from stillwell.hydrometry.rating.spans_in_force import Bits, Floats, Ints

DAY_US = 86_400_000_000


@dataclass(frozen=True)
class GapRule:
    """What may be bridged, and how much of a day must be known.

    Attributes
    ----------
    bridged_s : float
        Values further apart than this are not joined by a line (common practice, no source: 2 hours).
    share : float
        Least share of the day, 0 to 1, known for the day to have a mean (common practice, no source: 0.9).
    """

    bridged_s: float = 7200.0
    share: float = 0.9


@dataclass(frozen=True)
class _Line:
    """The known values of a record and the lines between them; ``joined`` says which are close enough to be joined."""

    time: Ints
    joined: np.ndarray
    seconds: Floats
    """Length of each joined line, 0 of others."""


def daily_values(
    time_us: Ints,
    discharge_m3_s: Floats,
    uncertainty_m3_s: Floats,
    marks: Bits,
    utc_offset_s: int,
    rule: GapRule | None = None,
) -> pd.DataFrame:
    """Average discharge over each standard day of a site.

    ``Qbar = (1/T) sum (q_i + q_(i+1))/2 dt_i`` over the known part T of ``[midnight, next midnight)``, values at both
    midnights interpolated between their neighbours. The uncertainty is ``(1/T) sum (u_i + u_(i+1))/2 dt_i``: the errors
    of a day are taken as one error (fully correlated), which a rating's and a shift's are; noise of single stages
    would average out, so the figure is on the safe side.

    Parameters
    ----------
    time_us : int array, shape (values,)
        Microseconds since 1970, UTC, rising.
    discharge_m3_s, uncertainty_m3_s : float arrays, shape (values,)
        m3/s; NaN where missing. The uncertainty is standard (k = 1).
    marks : uint8 array, shape (values,)
        Bits of ``Mark``.
    utc_offset_s : int
        Offset of the site's standard time from UTC, s; the same all year.
    rule : GapRule, optional

    Returns
    -------
    DataFrame
        One row per day from the first value's to the last value's: ``day`` (date of the site's standard time),
        ``from_us``, ``to_us`` (UTC), ``mean_m3_s``, ``uncertainty_m3_s`` (NaN where too little is known),
        ``minimum_m3_s``, ``maximum_m3_s`` (of the values in the half-open day), ``share_known``, ``largest_gap_s`` (the
        longest time within the day between neighbouring values), ``values`` (known ones), ``marks`` (all that occur).

    Raises
    ------
    ValueError
        Times that do not rise.

    Notes
    -----
    Handbook of the project, section 6; daily mean as remembered, gap rule common practice without a source.
    """
    rule = rule or GapRule()
    if (time_us[1:] <= time_us[:-1]).any():
        msg = "expected times that rise, found some that repeat or go back; put them in order first"
        raise ValueError(msg)
    offset = utc_offset_s * 1_000_000
    days = _days(time_us, offset)
    starts = days * DAY_US - offset
    all_marks = _over(np.bitwise_or, marks, *_rows(time_us, starts), 0)
    known = np.isfinite(discharge_m3_s)
    if not known.all():
        time_us = time_us[known]
        discharge_m3_s, uncertainty_m3_s = discharge_m3_s[known], uncertainty_m3_s[known]
    steps = np.diff(time_us) * 1e-6
    joined = steps <= rule.bridged_s
    line = _Line(time_us, joined, np.where(joined, steps, 0.0))
    low, high = _rows(time_us, starts)
    length, volume, unsure = _integrals(line, starts, low, high, discharge_m3_s, uncertainty_m3_s)
    share = length / (DAY_US * 1e-6)
    enough = (share >= rule.share - 1e-12) & (length > 0)
    nothing = np.full(days.size, np.nan)
    return pd.DataFrame(
        {
            "day": days.astype("datetime64[D]").astype("datetime64[s]"),
            "from_us": starts,
            "to_us": starts + DAY_US,
            "mean_m3_s": np.divide(volume, length, out=nothing.copy(), where=enough),
            "uncertainty_m3_s": np.divide(unsure, length, out=nothing, where=enough),
            "minimum_m3_s": _over(np.minimum, discharge_m3_s, low, high, np.nan),
            "maximum_m3_s": _over(np.maximum, discharge_m3_s, low, high, np.nan),
            "share_known": np.minimum(share, 1.0),
            "largest_gap_s": _largest_gap(time_us, steps, starts, low, high),
            "values": high - low,
            "marks": all_marks,
        }
    )


def _days(time_us: Ints, offset: int) -> Ints:
    """Count the standard days from the first value's to the last value's, since 1970."""
    if not time_us.size:
        return np.zeros(0, dtype=np.int64)
    first, last = ((int(t) + offset) // DAY_US for t in (time_us[0], time_us[-1]))
    return np.arange(first, last + 1, dtype=np.int64)


def _rows(time_us: Ints, starts: Ints) -> tuple[Ints, Ints]:
    """Say which values lie in each day: from ``low`` up to, not including, ``high``."""
    low = np.searchsorted(time_us, starts)
    return low, np.r_[low[1:], time_us.size] if starts.size else low


def _over(fold: np.ufunc, values: np.ndarray, low: Ints, high: Ints, nothing: float) -> np.ndarray:
    """Fold the values of each day; ``nothing`` where a day has none."""
    out = np.full(low.size, nothing, dtype=values.dtype)
    some = high > low
    if some.any():
        out[some] = fold.reduceat(values, low[some])
    return out


def _integrals(line: _Line, starts: Ints, low: Ints, high: Ints, *values: Floats) -> tuple[Floats, ...]:
    """Integrate the joined lines over each day: first their length (s), then each of the values along them.

    Lines that begin and end in a day are summed; the line across a midnight is cut there. A day without a value lies
    within one line.
    """
    n = line.time.size
    sums = [_inner(line.seconds, low, high)]
    for v in values:
        area = v[1:] + v[:-1]
        area *= line.seconds
        sums.append(_inner(area, low, high) / 2)
    if n < 2:
        return tuple(sums)
    # two lines cross the midnights of a day: the one into its first value, counted from the midnight on, and the one
    # out of its last value, counted up to the next. A day without a value lies within one line, which is counted once
    empty = high == low
    before = np.minimum(low, n - 1) - 1
    left = (low > 0) & (low < n)
    right = (high > 0) & (high < n) & ~empty
    pieces = (
        (left, before, starts, np.where(empty, starts + DAY_US, line.time[np.minimum(low, n - 1)])),
        (right, high - 1, line.time[np.maximum(high, 1) - 1], starts + DAY_US),
    )
    for some, at, begin, end in pieces:
        day = np.flatnonzero(some)
        i = at[day]
        day, i = day[line.joined[i]], i[line.joined[i]]
        cut = (end[day] - begin[day]) * 1e-6
        sums[0][day] += cut
        # a straight line integrates to its length times its value half way along the part that is cut out
        middle = (begin[day] + end[day] - 2 * line.time[i]) / (2 * (line.time[i + 1] - line.time[i]))
        for total, v in zip(sums[1:], values, strict=True):
            total[day] += cut * (v[i] + middle * (v[i + 1] - v[i]))
    return tuple(sums)


def _inner(steps: Floats, low: Ints, high: Ints) -> Floats:
    """Sum the lines that begin and end among the values of each day."""
    out = np.zeros(low.size)
    some = high > low + 1
    if some.any():
        bounds = np.column_stack([low[some], high[some] - 1]).ravel()
        if bounds[-1] == steps.size:
            bounds = bounds[:-1]
        out[some] = np.add.reduceat(steps, bounds)[::2]
    return out


def _largest_gap(time_us: Ints, steps: Floats, starts: Ints, low: Ints, high: Ints) -> Floats:
    """Find the longest time within each day between neighbouring values, or between a value and an unknown midnight."""
    ends = starts + DAY_US
    out = np.full(starts.size, DAY_US * 1e-6)
    some = np.flatnonzero(high > low)
    first, last = low[some], high[some] - 1
    head = (time_us[first] - starts[some]) * 1e-6
    tail = (ends[some] - time_us[last]) * 1e-6
    out[some] = np.maximum(head, tail)
    inner = some[high[some] > low[some] + 1]
    if inner.size:
        bounds = np.column_stack([low[inner], high[inner] - 1]).ravel()
        if bounds[-1] == steps.size:
            bounds = bounds[:-1]
        out[inner] = np.maximum(out[inner], np.maximum.reduceat(steps, bounds)[::2])
    return out
