"""Marks of the values of a stage series, limits of its checks, and the table of spans they return."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Bits = NDArray[np.uint16]

SPAN_COLUMNS = {"code": "str", "from_us": "int64", "to_us": "int64", "value": "float64", "rows": "int64"}


class StageMark(IntFlag):
    """What a check found wrong with a value of a series; bits of one number."""

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
        Stretches of one value, as for ``stage.check_values.flat_lines``.
    spike_m, spike_factor, spike_width : float, float, int
        As for ``stage.check_values.spikes``.
    clock_s : float
        Smallest step of the clock reported, s (a fifth of the interval if that is less); drift within it is no step.
    steady : int
        Number of equal intervals that make one an interval of the series.
    overlap_s : float
        Shortest stretch of times already covered that is taken for another logger rather than a clock set back, s.
    resolution_window : int
        As for ``stage.check_values.resolution_changes``.
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
    overlap_s: float = 86_400.0
    resolution_window: int = 500


def spans_of(code: str, time: Ints, first: Ints, last: Ints, value: Floats, rows: Ints | None = None) -> pd.DataFrame:
    """Make spans of rows of a time axis, both ends included."""
    count = last - first + 1 if rows is None else rows
    data = {"code": np.full(first.size, code), "from_us": time[first], "to_us": time[last], "value": value}
    return pd.DataFrame({**data, "rows": count}).astype(SPAN_COLUMNS)


def runs(same_as_last: Flags) -> tuple[Ints, Ints]:
    """Cut rows into runs: first row and the row after the last of each; ``same_as_last`` has one element less."""
    cuts = np.flatnonzero(~same_as_last) + 1
    return np.r_[0, cuts], np.r_[cuts, same_as_last.size + 1]


def usual_interval(time_us: Ints) -> float:
    """Give the median interval (s) of times in order; NaN of fewer than two."""
    return float(np.median(np.diff(time_us)) * 1e-6) if time_us.size > 1 else float("nan")
