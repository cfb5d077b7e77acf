"""Checks of a recorded stage series: a mark for each value, and spans with what was found. Changes no value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from stillwell.hydrometry.grouped import Groups
from stillwell.hydrometry.stage.check_times import as_recorded, interleaved, intervals, same_times
from stillwell.hydrometry.stage.check_values import flat_lines, resolution_changes, spikes
from stillwell.hydrometry.stage.flags import Bits, Floats, Ints, SeriesLimits, StageMark, spans_of, usual_interval


@dataclass(frozen=True)
class Checked:
    """Marks of each value in the order recorded, the order of time, and the spans found.

    ``spans``: ``code``, ``from_us``, ``to_us`` (both values included), ``value`` (see ``check_series``), ``rows``.
    """

    marks: Bits
    order: Ints
    spans: pd.DataFrame


def check_series(time_us: Ints, stage: Floats, limits: SeriesLimits | None = None, part: Ints | None = None) -> Checked:
    """Check a recorded series.

    ======================  =================================================================================
    code                    value
    ======================  =================================================================================
    time-repeated           number of values handed in again at a time, the same each time
    time-contradicted       largest difference between values of one time, m
    time-back               how far the time goes back, s
    loggers-overlap         median of this stretch less the values already recorded, or of every second value
                            less the others, m
    clock-step              lasting change of the minute at which the logger reads, s, forward positive
    interval-changed        the new interval, s
    resolution-changed      the new step, m; NaN where values come in no step that a sensor is read to
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
    part : int array, shape (values,), optional
        Number of the deposit that each value came with; by default all came with one. Order by
        ``stage.check_times.with_holes_filled`` first.

    Returns
    -------
    Checked
    """
    limits = limits or SeriesLimits()
    marks = np.zeros(time_us.size, dtype=np.uint16)
    marks[np.isnan(stage)] = StageMark.MISSING
    spans = [as_recorded(time_us, stage, marks, limits, part)]
    order = np.argsort(time_us, kind="stable")
    spans.append(same_times(time_us, stage, order, marks))
    usable = order[(marks[order] & (StageMark.REPEATED | StageMark.CONTRADICTED | StageMark.LOGGERS_OVERLAP)) == 0]
    spans.append(intervals(time_us, usable, marks, limits))
    spans.append(interleaved(time_us, stage, usable, marks, limits))
    usable = usable[~np.isnan(stage[usable])]
    spans.append(_of_values(time_us, stage, usable, marks, limits))
    table = pd.concat(spans, ignore_index=True).sort_values(["from_us", "code"], ignore_index=True, kind="stable")
    return Checked(marks, order, table)


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
    value = np.where(marks & StageMark.CONTRADICTED, np.nan, value)
    known = ~np.isnan(value)
    moments = Groups.of(time)
    out = np.full(moments.size, np.nan)
    out[moments.owner[known]] = value[known]
    return np.unique(time), out


def _of_values(time: Ints, stage: Floats, usable: Ints, marks: Bits, limits: SeriesLimits) -> pd.DataFrame:
    """Find gaps, flat lines, spikes and changes of resolution among the known values in order."""
    t, v = time[usable], stage[usable]
    none = np.zeros(0, dtype=np.int64)
    if t.size < 2:
        return spans_of("gap", t, none, none, np.zeros(0))
    step = np.diff(t) * 1e-6
    usual = np.maximum(usual_interval(t), _beside(step))
    merged = (marks[usable] & StageMark.LOGGERS_OVERLAP) > 0
    at = np.flatnonzero((step > limits.gap_intervals * usual) & ~(merged[1:] & merged[:-1]))
    gaps = spans_of("gap", t, at, at + 1, step[at] / 3600, np.zeros(at.size, dtype=np.int64))
    most = limits.gap_intervals * float(usual.max() if not at.size else np.median(usual))
    fine = resolution_changes(v, limits.resolution_window)
    flat = _flat(t, v, fine, most, limits)
    spike = spikes(t, v, limits.spike_m, limits.spike_factor, limits.spike_width, most)
    for rows, bit in ((flat, StageMark.FLAT), (spike, StageMark.SPIKE)):
        inside = np.zeros(t.size + 1, dtype=np.int64)
        np.add.at(inside, rows["first"].to_numpy(), 1)
        np.add.at(inside, rows["last"].to_numpy() + 1, -1)
        marks[usable[np.cumsum(inside[:-1]) > 0]] |= np.uint16(bit)
    at = fine["first"].to_numpy()[1:]
    lines = ((flat, "flat-line", flat["seconds"] / 3600), (spike, "spike", spike["height_m"]))
    return pd.concat(
        [
            gaps,
            *(spans_of(c, t, f["first"].to_numpy(), f["last"].to_numpy(), x.to_numpy()) for f, c, x in lines),
            spans_of("resolution-changed", t, at, at, fine["step_m"].to_numpy()[1:]),
        ],
        ignore_index=True,
    )


def _beside(step: Floats) -> Floats:
    """Find the usual interval around each step: the larger, of both sides, of the smaller of the two next steps.

    So a change of interval is no gap, and a lone value between two gaps hides neither.
    """
    wide = np.r_[0.0, 0.0, step, 0.0, 0.0]
    return np.maximum(np.minimum(wide[:-4], wide[1:-3]), np.minimum(wide[3:-1], wide[4:]))


def _flat(t: Ints, v: Floats, fine: pd.DataFrame, most_gap_s: float, limits: SeriesLimits) -> pd.DataFrame:
    """Find flat lines in each stretch of one resolution."""
    spans = []
    for first, last in zip(fine["first"].tolist(), fine["last"].tolist(), strict=True):
        rows = slice(first, last + 1)
        part = flat_lines(t[rows], v[rows], limits.flat_s, limits.flat_always_s, limits.flat_factor, most_gap_s)
        spans.append(part.assign(first=part["first"] + first, last=part["last"] + first))
    return pd.concat(spans, ignore_index=True)
