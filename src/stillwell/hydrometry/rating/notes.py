"""Gaugings compared with a rating, and notes about it in sentences. Fits nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating.gaugings import Gaugings
from stillwell.hydrometry.rating.rating import Rating
from stillwell.hydrometry.rating.shift import departure, of_gauging
from stillwell.hydrometry.rating.solve import Task

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WANTED = 12
"""Gaugings wanted in each segment (ISO 1100-2, as remembered, unverified)."""

OUTLIER = 0.2
"""Trust under which a gauging is named as an outlier (chosen: about three scales off)."""


def compared(rating: Rating, stage: Floats, discharge: Floats) -> pd.DataFrame:
    """Compare gaugings with a rating.

    Returns
    -------
    DataFrame
        stage_m, discharge_m3_s, rated_m3_s; ``departure_pct = 100 (Q - Q_r)/Q_r``, NaN where the rating says 0;
        ``shift_m = h_r(Q) - h``; segment, from 1.
    """
    rated = rating.discharge(stage)
    return pd.DataFrame(
        {
            "stage_m": stage,
            "discharge_m3_s": discharge,
            "rated_m3_s": rated,
            "departure_pct": departure(discharge, rated),
            "shift_m": of_gauging(rating, stage, discharge),
            "segment": rating.segment(stage) + 1,
        }
    )


def repeated(stage: Floats, discharge: Floats, when: NDArray[Any] | None = None) -> Ints:
    """Find rows that repeat an earlier row: its number, -1 for a row that is the first of its kind.

    Parameters
    ----------
    when : array, optional
        Moments or days; without them stage and discharge alone decide, and two gaugings may agree by chance.
    """
    rows = pd.DataFrame({"stage": stage, "discharge": discharge} | ({} if when is None else {"when": when}))
    first = rows.groupby(list(rows), dropna=False, sort=False)["stage"].transform(lambda part: part.index[0])
    again = rows.duplicated().to_numpy()
    return np.where(again, first.to_numpy(dtype=np.int64), -1)


def notes(task: Task, law: Floats, gaugings: Gaugings, rating: Rating, trust: Floats) -> tuple[str, ...]:
    """Write what a reader of the rating must know: thin segments, numbers at their bounds, outliers, observed zeros."""
    count = rl.segments(law)
    sentences = []
    visits = np.bincount(rating.segment(gaugings.stage), weights=gaugings.share, minlength=count)
    sentences += [
        f"segment {i + 1} rests on {visits[i]:g} gaugings; {WANTED} or more are wanted (as remembered, unverified)"
        for i in np.flatnonzero(visits < WANTED)
    ]
    sentences += [
        f"{gaugings.name[i]}: {gaugings.discharge[i]:.4g} m3/s at {gaugings.stage[i]:.3f} m lies far off and"
        f" has a weight of"
        f" {trust[i]:.2f}"
        for i in np.flatnonzero(trust < OUTLIER)
    ]
    again = repeated(gaugings.stage, gaugings.discharge)
    sentences += [
        f"{gaugings.name[i]} repeats {gaugings.name[again[i]]}: if one gauging was handed in twice, leave one out"
        for i in np.flatnonzero(again >= 0)
    ]
    if gaugings.zeros:
        sentences.append(
            f"{gaugings.zeros} observed zeros: the lowest stage of zero flow is at or above"
            f" {gaugings.highest_zero_m:.3f} m"
        )
    return tuple(sentences)
