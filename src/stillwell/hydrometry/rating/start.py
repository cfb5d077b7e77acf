"""Where a fit begins: stages of zero flow and breaks on a grid, exponents from the line through each."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.rating.loss import spread
from stillwell.hydrometry.rating.solve import GAP, LEAST_SCALE, Task, supported, with_best_line

Floats = NDArray[np.float64]

DEPTHS = np.array([0.01, 0.03, 0.07, 0.13, 0.22, 0.35, 0.55, 0.9, 1.6, 3.0, 6.0])
"""Heads tried under the lowest gauging, in ranges of gauged stage (chosen)."""

OWN = np.array([0.0, 0.45, 0.8])
"""Stages of zero flow tried for upper segments: share of the way from the lowest one to the break (chosen)."""

MOST, MOST_TERMS = 6000, 600_000
"""Most starts looked at, and starts times gaugings (chosen: they bound time and memory)."""

THIN = 250
"""Gaugings looked at when starts are sought (chosen)."""

CANDIDATES = {1: 0, 2: 24, 3: 14, 4: 10}
"""Stages tried as breaks, by segments (chosen)."""


def _thinned(task: Task) -> Task:
    """Take every so many-th gauging in order of stage when there are very many: starts need no more."""
    every = int(np.ceil(task.stage.size / THIN))
    if every == 1:
        return task
    part = slice(None, None, every)
    return replace(
        task,
        stage=task.stage[part],
        log_q=task.log_q[part],
        precision=task.precision[part],
        share=task.share[part],
        fewest=task.fewest / every,
    )


def _break_sets(task: Task, count: int, given: Floats) -> Floats:
    """List break sets, shape (sets, S - 1)."""
    if given.size or count == 1:
        return given.reshape(1, -1) if count > 1 else np.zeros((1, 0))
    levels = np.unique(task.stage)
    middle = (levels[1:] + levels[:-1]) / 2
    pick = np.unique(np.linspace(0, middle.size - 1, min(CANDIDATES[count], middle.size)).round().astype(int))
    return np.array(list(combinations(middle[pick], count - 1))).reshape(-1, count - 1)


def _zero_sets(task: Task, count: int, own: bool, breaks: Floats, given: Floats) -> tuple[Floats, Floats]:
    """Cross break sets with stages of zero flow; returns (starts, S) and (starts, S - 1)."""
    lower, upper = task.lower[1 + count], task.upper[1 + count]
    lowest = np.unique(np.clip(np.r_[task.stage.min() - DEPTHS, upper], lower, upper))
    if not np.isnan(given[0]):
        lowest = given[:1]
    part = OWN if own and count > 1 else OWN[:1]
    listed = list(product(part, repeat=count - 1))
    ways = np.array(listed).reshape(len(listed), count - 1)
    at = np.indices((lowest.size, ways.shape[0], breaks.shape[0])).reshape(3, -1)
    first, foot = lowest[at[0]][:, None], breaks[at[2]]
    zeros = np.concatenate([first, np.minimum(first + ways[at[1]] * (foot - first), foot - GAP)], axis=1)
    return np.where(np.isnan(given), zeros, given), foot


def starts(task: Task, count: int, own: bool, zero: Floats, breaks: Floats, keep: int = 10) -> Floats:
    """List the most promising laws to begin from, shape (up to ``keep``, 3 S), possibly none.

    All are ranked by least squares, the best sixty again by least absolute deviation, which a wild gauging does not
    rule.

    Parameters
    ----------
    own : bool
        Whether upper segments have stages of zero flow of their own.
    zero : float array, shape (S,)
        Stages of zero flow given; NaN where free.
    breaks : float array
        Breaks given, or empty.
    """
    task = _thinned(task)
    zeros, feet = _zero_sets(task, count, own, _break_sets(task, count, breaks), zero)
    laws = np.concatenate([np.zeros((zeros.shape[0], 1)), np.ones_like(zeros), zeros, feet], axis=1)
    laws = laws[supported(task, laws) & (feet > zeros[:, 1:]).all(axis=1)]
    most = min(MOST, MOST_TERMS // task.stage.size + 1)
    if laws.shape[0] > most:
        laws = laws[np.linspace(0, laws.shape[0] - 1, most).round().astype(int)]
    if not laws.shape[0]:
        return laws
    even = (task.share * task.precision)[None, :]
    laws = with_best_line(task, laws, even)
    order = np.argsort((task.share * task.standardised(laws) ** 2).sum(axis=1), kind="stable")[:60]
    laws = laws[order]
    for _ in range(5):
        z = np.abs(task.standardised(laws))
        least = np.maximum(spread(z, task.share, task.fitted) / 10, LEAST_SCALE)[:, None]
        laws = with_best_line(task, laws, even / np.maximum(z, least))
    cost = (task.share * np.abs(task.standardised(laws))).sum(axis=1)
    return laws[np.argsort(cost, kind="stable")[:keep]]
