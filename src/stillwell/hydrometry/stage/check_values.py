"""Findings on the values of a stage series: changed resolution, flat lines, spikes. Changes no value."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.stage.flags import Flags, Floats, Ints, runs

RESOLUTIONS_M = (1.0, 0.5, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
"""Steps a sensor may be read to, m; stage converted from feet answers to 0.01 ft = 0.003048 m and its kin instead."""


def resolution_changes(stage: Floats, window: int = 500, steps: tuple[float, ...] = RESOLUTIONS_M) -> pd.DataFrame:
    """Find where the step changes to which values are read.

    A value's own step is the coarsest of ``steps`` it is a multiple of. In each window of values the series' step is
    the finest one that more than 2 % of them need; windows with fewer than three different values say nothing. Between
    two windows that differ, the change is put at the first value that needs the finer step, or after the last one.

    Parameters
    ----------
    stage : float array, shape (values,)
        m, in order of time, none missing.
    window : int
        Number of values judged together (common practice, no source).
    steps : tuple of float
        m, falling.

    Returns
    -------
    DataFrame
        ``first``, ``last``: rows of each stretch of one resolution, ``last`` included; ``step_m`` (NaN where every
        value would do, or none of the steps).
    """
    n = stage.size
    if not n:
        return pd.DataFrame({"first": np.zeros(0, np.int64), "last": np.zeros(0, np.int64), "step_m": np.zeros(0)})
    level = _levels(stage, steps)
    block = np.minimum(np.arange(n) // window, max(n // window - 1, 0))
    count = np.bincount(block)
    need = np.bincount(block * (len(steps) + 1) + level, minlength=count.size * (len(steps) + 1))
    finer = np.cumsum(need.reshape(count.size, -1)[:, ::-1], axis=1)[:, ::-1]
    own = (finer > 0.02 * count[:, None]).sum(axis=1) - 1
    starts = np.r_[0, np.cumsum(count)[:-1]]
    changed = np.bincount(block[1:][stage[1:] != stage[:-1]], minlength=count.size)
    telling = np.flatnonzero(_varied(stage, starts, changed, count))
    if not telling.size:
        return pd.DataFrame({"first": [0], "last": [n - 1], "step_m": [np.nan]})
    own, starts = own[telling], starts[telling]
    # a window across a change may seem to need a step between the two
    between = np.r_[False, np.sign(np.diff(own))[1:] * np.sign(np.diff(own))[:-1] > 0, False]
    own, starts = own[~between[: own.size]], np.r_[starts[~between[: own.size]], n]
    first = [0]
    changes = [int(own[0])]
    for k in np.flatnonzero(own[1:] != own[:-1]) + 1:
        low, high = int(starts[k - 1]), int(starts[k + 1])
        fine = np.flatnonzero(level[low:high] > min(own[k - 1], own[k]))
        row = low + (int(fine[0]) if own[k] > own[k - 1] else int(fine[-1]) + 1)
        first.append(max(row, first[-1] + 1))
        changes.append(int(own[k]))
    named = np.r_[np.array(steps), np.nan]
    return pd.DataFrame({"first": first, "last": np.array([*first[1:], n]) - 1, "step_m": named[changes]})


def _levels(stage: Floats, steps: tuple[float, ...]) -> Ints:
    """Find the coarsest step each value is a multiple of, by its number; ``len(steps)`` for none."""
    level = np.full(stage.size, len(steps), dtype=np.int64)
    for number in reversed(range(len(steps))):
        part = stage / steps[number]
        level[np.abs(part - np.round(part)) < 1e-5 * np.maximum(1.0, np.abs(part) * 1e-3)] = number
    return level


def _varied(stage: Floats, starts: Ints, changed: NDArray[np.intp], count: NDArray[np.intp]) -> Flags:
    """Say which windows hold at least three different values."""
    low, high = np.minimum.reduceat(stage, starts), np.maximum.reduceat(stage, starts)
    block = np.repeat(np.arange(starts.size), count)
    between = (stage != low[block]) & (stage != high[block])
    return np.asarray((np.bincount(block, weights=between, minlength=starts.size) > 0) & (changed > 1))


def flat_lines(
    time_us: Ints, stage: Floats, least_s: float, always_s: float, factor: float, most_gap_s: float
) -> pd.DataFrame:
    """Find stretches in which the same value stands longer than this series is used to.

    A coarse resolution makes long flat lines of itself. A stretch is a finding when it lasts ``least_s`` and ``factor``
    times the series' habit (the median, over all values, of the duration of the stretch each stands in), and always
    when it lasts ``always_s``.

    Parameters
    ----------
    time_us, stage : arrays, shape (values,)
        In order of time, of one resolution, none missing.
    least_s, always_s, factor : float
    most_gap_s : float
        Values further apart are not one stretch.

    Returns
    -------
    DataFrame
        ``first``, ``last`` (rows, included), ``seconds``.
    """
    if not stage.size:
        return pd.DataFrame({"first": np.zeros(0, np.int64), "last": np.zeros(0, np.int64), "seconds": np.zeros(0)})
    first, end = runs((stage[1:] == stage[:-1]) & (np.diff(time_us) <= most_gap_s * 1e6))
    seconds = (time_us[end - 1] - time_us[first]) * 1e-6
    habit = float(np.median(np.repeat(seconds, end - first)))
    long = seconds >= max(least_s, min(factor * habit, always_s))
    return pd.DataFrame({"first": first[long], "last": end[long] - 1, "seconds": seconds[long]})


def spikes(time_us: Ints, stage: Floats, least_m: float, factor: float, width: int, most_gap_s: float) -> pd.DataFrame:
    """Find values that leave the series and are back within a few readings.

    A stretch of 1 to ``width`` values is a spike when every one of them lies on the same side of both neighbours of the
    stretch, further from them than the limit, and the neighbours lie closer together than half of that. The limit is
    the larger of ``least_m`` and ``factor`` times 1.4826 times the median of the steps that are not 0 (robust scale).

    Parameters
    ----------
    time_us, stage : arrays, shape (values,)
        In order of time, none missing.
    least_m, factor, width : float, float, int
    most_gap_s : float
        Neighbours further away from each other say nothing.

    Returns
    -------
    DataFrame
        ``first``, ``last`` (rows, included), ``height_m`` (largest distance from the mean of the neighbours, signed).
    """
    step = np.abs(np.diff(stage))
    step = step[step > 0]
    limit = max(least_m, factor * 1.4826 * float(np.median(step))) if step.size else least_m
    taken = np.zeros(stage.size, dtype=bool)
    parts: list[tuple[Ints, Ints, Floats]] = []
    for w in range(1, width + 1):
        if stage.size < w + 2:
            break
        before, after = stage[: -w - 1], stage[w + 1 :]
        inside = np.lib.stride_tricks.sliding_window_view(stage[1:-1], w)
        top, bottom = np.maximum(before, after), np.minimum(before, after)
        up, down = inside.min(axis=1) - top, bottom - inside.max(axis=1)
        height = np.maximum(up, down)
        near = time_us[w + 1 :] - time_us[: -w - 1] <= (most_gap_s * 1e6) * (w + 1)
        free = ~np.lib.stride_tricks.sliding_window_view(taken[1:-1], w).any(axis=1)
        at = np.flatnonzero((height > limit) & (top - bottom < height / 2) & near & free)
        middle = (before[at] + after[at]) / 2
        far = inside[at] - middle[:, None]
        parts.append((at + 1, at + w, np.where(up[at] > 0, far.max(axis=1), far.min(axis=1))))
        for k in range(w):
            taken[at + 1 + k] = True
    first, last, height_m = (np.concatenate(part) for part in zip(*parts, strict=True)) if parts else ([], [], [])
    out = pd.DataFrame({"first": first, "last": last, "height_m": height_m})
    out = out.astype({"first": "int64", "last": "int64", "height_m": "float64"})
    return out.sort_values("first", ignore_index=True)
