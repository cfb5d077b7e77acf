"""Doubts about a recorded stage series, as marks beside it and spans to put into words. Removes and changes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.stage_values import Floats, Ints, flat_lines, resolution_changes, runs, spikes

Bits = NDArray[np.uint16]

SPAN_COLUMNS = {"code": "str", "from_us": "int64", "to_us": "int64", "value": "float64", "rows": "int64"}


class Doubt(IntFlag):
    """What is doubted about a value of a series."""

    REPEATED = 1
    CONTRADICTED = 2
    TIME_BACK = 4
    LOGGERS_OVERLAP = 8
    CLOCK_STEP = 16
    FLAT = 32
    SPIKE = 64
    MISSING = 128


@dataclass(frozen=True)
class SeriesLimits:
    """Limits of the checks; all common practice without a source.

    Attributes
    ----------
    gap_intervals : float
        Values further apart than this many usual intervals make a gap.
    flat_s, flat_always_s, flat_factor : float
        Stretches of one value, as for ``stage_values.flat_lines``.
    spike_m, spike_factor, spike_width : float, float, int
        As for ``stage_values.spikes``.
    clock_s : float
        Smallest doubted step of the clock, s; drift of a logger within it is no step.
    steady : int
        Number of equal intervals that make one an interval of the series.
    overlap_rows : int
        Shortest stretch of times already covered that is taken for another logger rather than a clock set back.
    resolution_window : int
        As for ``stage_values.resolution_changes``.
    """

    gap_intervals: float = 1.5
    flat_s: float = 172_800.0
    flat_always_s: float = 2_592_000.0
    flat_factor: float = 5.0
    spike_m: float = 0.1
    spike_factor: float = 10.0
    spike_width: int = 3
    clock_s: float = 30.0
    steady: int = 12
    overlap_rows: int = 12
    resolution_window: int = 500


@dataclass(frozen=True)
class Checked:
    """Marks of each value in the order recorded, the order of time, and the spans found.

    ``spans``: ``code``, ``from_us``, ``to_us`` (both values included), ``value`` (what the code says), ``rows``.
    """

    marks: Bits
    order: Ints
    spans: pd.DataFrame


def check_series(time_us: Ints, stage: Floats, limits: SeriesLimits | None = None) -> Checked:
    """Doubt a recorded series.

    ======================  =================================================================================
    code                    value
    ======================  =================================================================================
    time-repeated           number of values handed in again at a time, the same each time
    time-contradicted       largest difference between values of one time, m
    time-back               how far the time goes back, s
    loggers-overlap         median of this stretch less what was already there, m (NaN: no common times)
    clock-step              lasting change of the minute at which the logger reads, s, forward positive
    interval-changed        the new interval, s
    resolution-changed      the new step, m
    flat-line               duration, h
    spike                   height over the neighbours, m
    gap                     duration between the values around it, h
    ======================  =================================================================================

    Parameters
    ----------
    time_us : int array, shape (values,)
        Microseconds since 1970, UTC, in the order recorded.
    stage : float array, shape (values,)
        m; NaN where the logger gave none.
    limits : SeriesLimits, optional

    Returns
    -------
    Checked
    """
    limits = limits or SeriesLimits()
    marks = np.zeros(time_us.size, dtype=np.uint16)
    marks[np.isnan(stage)] = Doubt.MISSING
    found = [_as_recorded(time_us, stage, marks, limits)]
    order = np.argsort(time_us, kind="stable")
    found.append(_same_times(time_us, stage, order, marks))
    kept = order[(marks[order] & (Doubt.REPEATED | Doubt.CONTRADICTED | Doubt.LOGGERS_OVERLAP)) == 0]
    found.append(_intervals(time_us, kept, marks, limits))
    kept = kept[~np.isnan(stage[kept])]
    found.append(_of_values(time_us, stage, kept, marks, limits))
    spans = pd.concat(found, ignore_index=True).sort_values(["from_us", "code"], ignore_index=True, kind="stable")
    return Checked(marks, order, spans)


def ordered(time_us: Ints, stage: Floats, checked: Checked) -> tuple[Ints, Floats]:
    """Take one value per time, in order of time; missing where the values of a time contradict each other.

    Parameters
    ----------
    time_us, stage : arrays
        As checked.
    checked : Checked

    Returns
    -------
    time_us, stage : arrays
        Nothing else is left out: spikes, flat lines and the rest are for a person to decide on.
    """
    marks = checked.marks[checked.order]
    time, value = time_us[checked.order], stage[checked.order]
    value = np.where(marks & Doubt.CONTRADICTED, np.nan, value)
    known = ~np.isnan(value)
    number = np.cumsum(np.r_[True, time[1:] != time[:-1]]) - 1 if time.size else np.zeros(0, dtype=np.int64)
    out = np.full(number[-1] + 1 if number.size else 0, np.nan)
    out[number[known]] = value[known]
    return np.unique(time), out


def _spans(code: str, time: Ints, first: Ints, last: Ints, value: Floats, rows: Ints | None = None) -> pd.DataFrame:
    """Make spans of rows of a time axis, both ends included."""
    count = last - first + 1 if rows is None else rows
    data = {"code": np.full(first.size, code), "from_us": time[first], "to_us": time[last], "value": value}
    return pd.DataFrame({**data, "rows": count}).astype(SPAN_COLUMNS)


def _as_recorded(time: Ints, stage: Floats, marks: Bits, limits: SeriesLimits) -> pd.DataFrame:
    """Find times that go back: a few are a clock set back, many are a second logger over the same days."""
    none = np.zeros(0, dtype=np.int64)
    if time.size < 2:
        return _spans("time-back", time, none, none, np.zeros(0))
    latest = np.maximum.accumulate(time)
    behind = np.r_[False, time[1:] < latest[:-1]]
    back = np.r_[False, time[1:] < time[:-1]]
    first, end = runs(~(back[1:] | (behind[1:] != behind[:-1])))
    keep = behind[first]
    first, last = first[keep], end[keep] - 1
    many = last - first + 1 >= limits.overlap_rows
    marks[behind] |= np.uint16(Doubt.TIME_BACK)
    by_time = (time[first] - time[first - 1]) / -1e6
    apart = np.full(first.size, np.nan)
    for k in np.flatnonzero(many):
        rows = np.arange(first[k], last[k] + 1)
        marks[rows] |= np.uint16(Doubt.LOGGERS_OVERLAP)
        earlier = np.flatnonzero(~behind[: first[k]])
        there = np.interp(time[rows], time[earlier], stage[earlier])
        difference = (stage[rows] - there)[~np.isnan(stage[rows] - there)]
        apart[k] = np.median(difference) if difference.size else np.nan
    few = ~many
    return pd.concat(
        [
            _spans("time-back", time, first[few], last[few], by_time[few]),
            _spans("loggers-overlap", time, first[many], last[many], apart[many]),
        ],
        ignore_index=True,
    )


def _same_times(time: Ints, stage: Floats, order: Ints, marks: Bits) -> pd.DataFrame:
    """Find values of the same time: repeated where they agree, contradicted where not."""
    t, v = time[order], stage[order]
    again = np.r_[False, t[1:] == t[:-1]] if t.size else np.zeros(0, dtype=bool)
    if not again.any():
        none = np.zeros(0, dtype=np.int64)
        return _spans("time-repeated", t, none, none, np.zeros(0))
    first, end = runs(again[1:])
    several = end - first > 1
    first, end = first[several], end[several]
    group = np.repeat(np.arange(first.size), end - first)
    rows = np.arange(group.size) - np.repeat(np.cumsum(end - first) - (end - first), end - first) + first[group]
    value = v[rows]
    known = ~np.isnan(value)
    low, high = np.full(first.size, np.inf), np.full(first.size, -np.inf)
    np.minimum.at(low, group[known], value[known])
    np.maximum.at(high, group[known], value[known])
    differ = high > low
    marks[order[rows[differ[group]]]] |= np.uint16(Doubt.CONTRADICTED)
    # the first known value of a time is the one that counts; any other is a repetition
    seen = np.full(first.size, rows.max() + 1)
    np.minimum.at(seen, group[known], rows[known])
    lone = seen > rows.max()
    seen[lone] = first[lone]
    marks[order[rows[~differ[group] & (rows != seen[group])]]] |= np.uint16(Doubt.REPEATED)
    extra = (end - first - 1).astype(np.float64)
    same, other = ~differ, differ
    return pd.concat(
        [
            _spans("time-repeated", t, first[same], end[same] - 1, extra[same]),
            _spans("time-contradicted", t, first[other], end[other] - 1, (high - low)[other]),
        ],
        ignore_index=True,
    )


def _intervals(time: Ints, kept: Ints, marks: Bits, limits: SeriesLimits) -> pd.DataFrame:
    """Find changes of the interval, and lasting steps of the clock between stretches of one interval."""
    t = time[kept]
    none = np.zeros(0, dtype=np.int64)
    if t.size < limits.steady + 1:
        return _spans("interval-changed", t, none, none, np.zeros(0))
    step = np.diff(t) * 1e-6
    first, end = runs(np.abs(np.diff(step)) <= limits.clock_s)
    steady = end - first >= limits.steady
    first, end = first[steady], end[steady]
    if not first.size:
        return _spans("interval-changed", t, none, none, np.zeros(0))
    interval = np.array([np.median(step[a:b]) for a, b in zip(first, end, strict=True)])
    same = np.abs(np.diff(interval)) <= limits.clock_s
    at = np.flatnonzero(~same) + 1
    changed = _spans("interval-changed", t, first[at], first[at], interval[at])
    # between two stretches of one interval the clock kept its beat if the time between is a whole number of intervals
    between = (t[first[1:]] - t[end[:-1]]) * 1e-6
    part = between - np.round(between / interval[1:]) * interval[1:]
    moved = np.flatnonzero(same & (np.abs(part) > limits.clock_s)) + 1
    marks[kept[first[moved]]] |= np.uint16(Doubt.CLOCK_STEP)
    stepped = _spans("clock-step", t, first[moved], first[moved], part[moved - 1])
    return pd.concat([changed, stepped], ignore_index=True)


def usual_interval(time_us: Ints) -> float:
    """Give the median interval (s) of times in order; NaN of fewer than two."""
    return float(np.median(np.diff(time_us)) * 1e-6) if time_us.size > 1 else float("nan")


def _of_values(time: Ints, stage: Floats, kept: Ints, marks: Bits, limits: SeriesLimits) -> pd.DataFrame:
    """Find gaps, flat lines, spikes and changes of resolution among the known values in order."""
    t, v = time[kept], stage[kept]
    none = np.zeros(0, dtype=np.int64)
    if t.size < 2:
        return _spans("gap", t, none, none, np.zeros(0))
    step = np.diff(t) * 1e-6
    # the interval may change in a long series, so a gap is long against the readings on both its sides
    local = np.minimum(np.r_[step[0], step[:-1]], np.r_[step[1:], step[-1]])
    usual = np.maximum(usual_interval(t), local)
    at = np.flatnonzero(step > limits.gap_intervals * usual)
    gaps = _spans("gap", t, at, at + 1, step[at] / 3600, np.zeros(at.size, dtype=np.int64))
    most = limits.gap_intervals * float(usual.max() if not at.size else np.median(usual))
    fine = resolution_changes(v, limits.resolution_window)
    flat = _flat(t, v, fine, most, limits)
    spike = spikes(t, v, limits.spike_m, limits.spike_factor, limits.spike_width, most)
    for rows, bit in ((flat, Doubt.FLAT), (spike, Doubt.SPIKE)):
        inside = np.zeros(t.size + 1, dtype=np.int64)
        np.add.at(inside, rows["first"].to_numpy(), 1)
        np.add.at(inside, rows["last"].to_numpy() + 1, -1)
        marks[kept[np.cumsum(inside[:-1]) > 0]] |= np.uint16(bit)
    at = fine["first"].to_numpy()[1:]
    lines = ((flat, "flat-line", flat["seconds"] / 3600), (spike, "spike", spike["height_m"]))
    return pd.concat(
        [
            gaps,
            *(_spans(c, t, f["first"].to_numpy(), f["last"].to_numpy(), x.to_numpy()) for f, c, x in lines),
            _spans("resolution-changed", t, at, at, fine["step_m"].to_numpy()[1:]),
        ],
        ignore_index=True,
    )


def _flat(t: Ints, v: Floats, fine: pd.DataFrame, most_gap_s: float, limits: SeriesLimits) -> pd.DataFrame:
    """Find flat lines in each stretch of one resolution."""
    found = []
    for first, last in zip(fine["first"].tolist(), fine["last"].tolist(), strict=True):
        rows = slice(first, last + 1)
        part = flat_lines(t[rows], v[rows], limits.flat_s, limits.flat_always_s, limits.flat_factor, most_gap_s)
        found.append(part.assign(first=part["first"] + first, last=part["last"] + first))
    return pd.concat(found, ignore_index=True)
