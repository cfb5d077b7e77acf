"""Findings on the times of a stage series: order, repetition, clock, interval, two loggers. Changes nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.hydrometry.grouped import Groups, numbered
from stillwell.hydrometry.stage.flags import Bits, Floats, Ints, SeriesLimits, StageMark, runs, spans_of, usual_interval


def with_holes_filled(time: Ints, part: Ints, limits: SeriesLimits) -> Ints:
    """Order values as recorded, but those of a later part that fill a hole of the earlier ones stand in the hole.

    A hole lies before the first value there was, or between two values in order of time that are further apart than
    ``limits.gap_intervals`` usual intervals of the earlier parts. A value that goes back within its own part stays.

    Parameters
    ----------
    time : int array, shape (values,)
        Microseconds, in the order recorded.
    part : int array, shape (values,)
        Number of the part that each value came with, rising.
    limits : SeriesLimits

    Returns
    -------
    int array, shape (values,)
        Rows in their new order.
    """
    parts = Groups.of(part)
    order = np.zeros(0, dtype=np.int64)
    latest = np.iinfo(np.int64).min
    for first, end in zip(parts.first, parts.last + 1, strict=True):
        rows = np.arange(first, end)
        if order.size and time[rows].min() < latest:
            place = _holes(time[order], time[rows], limits)
            order = np.insert(order, place[place >= 0], rows[place >= 0])
            rows = rows[place < 0]
        order = np.concatenate([order, rows])
        latest = max(latest, int(time[first:end].max()))
    return order


def _holes(earlier: Ints, time: Ints, limits: SeriesLimits) -> Ints:
    """Find for each value the place among earlier ones before which it fills a hole; -1 where it fills none."""
    at = np.argsort(earlier, kind="stable")
    known = earlier[at]
    right = np.searchsorted(known, time)
    before, after = known[np.maximum(right - 1, 0)], known[np.minimum(right, known.size - 1)]
    usual = usual_interval(known)
    most = np.inf if np.isnan(usual) else limits.gap_intervals * usual * 1e6
    fills = (right == 0) | ((after - before > most) & (after != time))
    fills &= (right < known.size) & (time >= np.maximum.accumulate(time))
    return np.where(fills, np.where(right == 0, 0, at[np.maximum(right - 1, 0)] + 1), -1)


def as_recorded(time: Ints, stage: Floats, marks: Bits, limits: SeriesLimits, part: Ints | None = None) -> pd.DataFrame:
    """Find times that go back.

    Within a part a few are a clock set back, many are a second logger over the same days; where a later part goes back
    behind values there were, it is another logger.
    """
    none = np.zeros(0, dtype=np.int64)
    if time.size < 2:
        return spans_of("time-back", time, none, none, np.zeros(0))
    latest = np.maximum.accumulate(time)
    behind = np.r_[False, time[1:] < latest[:-1]]
    back = np.r_[False, time[1:] < time[:-1]]
    first, end = runs(~(back[1:] | (behind[1:] != behind[:-1])))
    keep = behind[first]
    first, last = first[keep], end[keep] - 1
    many = (time[last] - time[first]) * 1e-6 >= limits.overlap_s
    if part is not None:
        many |= part[first] != part[first - 1]
    marks[behind] |= np.uint16(StageMark.TIME_BACK)
    by_time = (time[first] - time[first - 1]) / -1e6
    apart = np.full(first.size, np.nan)
    front = np.flatnonzero(~behind)
    front_time, front_stage = time[front].astype(np.float64), stage[front]
    for k in np.flatnonzero(many):
        rows = slice(first[k], last[k] + 1)
        marks[rows] |= np.uint16(StageMark.LOGGERS_OVERLAP)
        before = int(np.searchsorted(front, first[k]))
        expected = np.interp(time[rows], front_time[:before], front_stage[:before])
        apart[k] = _median(stage[rows] - expected)
    few = ~many
    return pd.concat(
        [
            spans_of("time-back", time, first[few], last[few], by_time[few]),
            spans_of("loggers-overlap", time, first[many], last[many], apart[many]),
        ],
        ignore_index=True,
    )


def same_times(time: Ints, stage: Floats, order: Ints, marks: Bits) -> pd.DataFrame:
    """Find values of the same time: repeated where they agree, contradicted where not."""
    t, v = time[order], stage[order]
    again = np.r_[False, t[1:] == t[:-1]] if t.size else np.zeros(0, dtype=bool)
    if not again.any():
        none = np.zeros(0, dtype=np.int64)
        return spans_of("time-repeated", t, none, none, np.zeros(0))
    first, end = runs(again[1:])
    several = end - first > 1
    first, end = first[several], end[several]
    group, number = numbered(end - first)
    rows = first[group] + number
    value = v[rows]
    known = ~np.isnan(value)
    low, high = np.full(first.size, np.inf), np.full(first.size, -np.inf)
    np.minimum.at(low, group[known], value[known])
    np.maximum.at(high, group[known], value[known])
    differ = high > low
    marks[order[rows[differ[group]]]] |= np.uint16(StageMark.CONTRADICTED)
    # the first known value of a time is the one that counts; any other is a repetition
    seen = np.full(first.size, rows.max() + 1)
    np.minimum.at(seen, group[known], rows[known])
    lone = seen > rows.max()
    seen[lone] = first[lone]
    marks[order[rows[~differ[group] & (rows != seen[group])]]] |= np.uint16(StageMark.REPEATED)
    extra = (end - first - 1).astype(np.float64)
    same, other = ~differ, differ
    return pd.concat(
        [
            spans_of("time-repeated", t, first[same], end[same] - 1, extra[same]),
            spans_of("time-contradicted", t, first[other], end[other] - 1, (high - low)[other]),
        ],
        ignore_index=True,
    )


def intervals(time: Ints, usable: Ints, marks: Bits, limits: SeriesLimits) -> pd.DataFrame:
    """Find changes of the interval, and lasting steps of the clock between stretches of one interval."""
    t = time[usable]
    none = np.zeros(0, dtype=np.int64)
    if t.size < limits.steady + 1:
        return spans_of("interval-changed", t, none, none, np.zeros(0))
    step = np.diff(t) * 1e-6
    tolerance = min(limits.clock_s, 0.2 * usual_interval(t))
    first, end = runs(np.abs(np.diff(step)) <= tolerance)
    steady = end - first >= limits.steady
    first, end = first[steady], end[steady]
    if not first.size:
        return spans_of("interval-changed", t, none, none, np.zeros(0))
    interval = np.array([np.median(step[a:b]) for a, b in zip(first, end, strict=True)])
    same = np.abs(np.diff(interval)) <= tolerance
    at = np.flatnonzero(~same) + 1
    changed = spans_of("interval-changed", t, first[at], first[at], interval[at])
    # between two stretches of one interval the clock kept its beat if the time between is a whole number of intervals
    between = (t[first[1:]] - t[end[:-1]]) * 1e-6
    part = between - np.round(between / interval[1:]) * interval[1:]
    # over a long hole a slow or fast clock drifts
    moved = np.flatnonzero(same & (np.abs(part) > tolerance + 1e-4 * between)) + 1
    marks[usable[first[moved]]] |= np.uint16(StageMark.CLOCK_STEP)
    stepped = spans_of("clock-step", t, first[moved], first[moved], part[moved - 1])
    return pd.concat([changed, stepped], ignore_index=True)


def interleaved(time: Ints, stage: Floats, usable: Ints, marks: Bits, limits: SeriesLimits) -> pd.DataFrame:
    """Find stretches whose steps alternate between two lengths: two loggers of one interval, merged by time.

    The figure is the median of every second value less what the others say at its time. Two loggers half an interval
    apart make even steps and cannot be told from one of half the interval.
    """
    t, v = time[usable], stage[usable]
    none = np.zeros(0, dtype=np.int64)
    if t.size < limits.steady + 3:
        return spans_of("loggers-overlap", t, none, none, np.zeros(0))
    step = np.diff(t) * 1e-6
    tolerance = min(limits.clock_s, 0.2 * usual_interval(t))
    alternate = (np.abs(step[2:] - step[:-2]) <= tolerance) & (np.abs(step[1:-1] - step[:-2]) > tolerance)
    first, end = runs(alternate[1:] == alternate[:-1])
    long = alternate[first] & (end - first >= limits.steady)
    first, last = first[long], end[long] + 2
    part = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    apart = v[1:-1] - (v[:-2] + part * (v[2:] - v[:-2]))
    value = np.array([_median(apart[a : b - 1 : 2]) for a, b in zip(first, last, strict=True)])
    for a, b in zip(first, last, strict=True):
        marks[usable[a : b + 1]] |= np.uint16(StageMark.LOGGERS_OVERLAP)
    return spans_of("loggers-overlap", t, first, last, value)


def _median(values: Floats) -> float:
    """Take the median of what is known; NaN of nothing."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else float("nan")
