"""Fifty years of 15-minute stage to a discharge record, against bare numpy and pandas on the same values."""

from __future__ import annotations

import gc
import time
import tracemalloc

import numpy as np
import pandas as pd

from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.shift import Shifts
from stillwell.hydrometry.rating.spans_in_force import RatingInForce, Table
from stillwell.hydrometry.record.daily import daily_values
from stillwell.hydrometry.record.discharge import discharge_record
from stillwell.hydrometry.record.totals import (
    annual_maximum,
    flow_duration,
    monthly_totals,
    seven_day_minimum,
    yearly_totals,
)

STEP_US = 900_000_000
BREAKS, FACTORS, POWERS = np.array([0.2, 0.8, 2.0]), np.array([4.0, 6.0, 9.0]), np.array([2.3, 1.9, 5 / 3])


def curve() -> Curve:
    """Make a curve of three segments that meet at their breaks."""
    zeros = [0.2]
    for k in (1, 2):
        discharge = FACTORS[k - 1] * (BREAKS[k] - zeros[-1]) ** POWERS[k - 1]
        zeros.append(BREAKS[k] - (discharge / FACTORS[k]) ** (1 / POWERS[k]))
    return Curve(BREAKS, FACTORS, np.array(zeros), POWERS)


CURVE = curve()


def stage(values: int) -> tuple[np.ndarray, np.ndarray]:
    """Invent stage: seasons, floods that rise and recede, and the noise and resolution of a sensor."""
    rng = np.random.default_rng(1)
    time_us = 1_000_000_000 * 1_000_000 // STEP_US * STEP_US + STEP_US * np.arange(values, dtype=np.int64)
    season = 0.5 + 0.15 * np.sin(2 * np.pi * np.arange(values) / 35_064)
    flood = np.where(rng.random(values) < 1e-4, rng.exponential(1.0, values), 0.0)
    recession = pd.Series(flood).ewm(alpha=0.005, adjust=False).mean().to_numpy() / 0.005
    return time_us, np.round(season + recession + rng.normal(0, 0.002, values), 3)


def ratings(time_us: np.ndarray) -> list[RatingInForce]:
    """Invent three ratings in turn with shifts by time, one of them by stage."""
    grid = np.linspace(0.2, 6.0, 200)
    table = Table(grid, 0.02 + 0.01 * np.abs(grid - 1))
    out = []
    for number, start in enumerate(time_us[:: time_us.size // 3 + 1]):
        visits = int(start) + 60 * 86_400_000_000 * np.arange(100)
        by_time = Shifts(visits, np.full(100, np.nan), 0.02 * np.sin(np.arange(100.0)), np.full(100, 0.005))
        by_stage = Shifts(
            np.repeat(visits, 3), np.tile([0.2, 1.0, 2.0], 100), np.tile([0.03, 0.01, 0.0], 100), np.full(300, 0.005)
        )
        shifts = (by_time, by_stage, None)[number]
        out.append(RatingInForce(int(start), CURVE, 0.25, 3.0, table, shifts))
    return out


def ours(time_us: np.ndarray, stage_m: np.ndarray, rated: list[RatingInForce]) -> pd.DataFrame:
    """Compute discharge with uncertainty and marks, daily values and every statistic."""
    record = discharge_record(time_us, stage_m, rated, 0.005)
    daily = daily_values(record.time_us, record.discharge_m3_s, record.uncertainty_m3_s, record.marks, -25_200)
    monthly_totals(daily)
    yearly_totals(daily)
    flow_duration(daily["mean_m3_s"].to_numpy())
    seven_day_minimum(daily)
    annual_maximum(daily)
    return daily


def bare(time_us: np.ndarray, stage_m: np.ndarray) -> pd.Series:
    """Rate with plain numpy, average by the day with pandas: no shift, no uncertainty, no gap, no mark."""
    at = np.maximum(np.searchsorted(CURVE.lower_m, stage_m, side="right") - 1, 0)
    head = np.maximum(stage_m - CURVE.zero_m[at], 0.0)
    discharge = CURVE.coefficient[at] * head ** CURVE.exponent[at]
    return pd.Series(discharge, index=pd.DatetimeIndex(time_us.view("datetime64[us]"))).resample("D").mean()


def record_ratio(values: int = 1_753_200, times: int = 5) -> str:
    """Compare the record of fifty years with the bare evaluation, the smallest time of each taken in turn."""
    time_us, stage_m = stage(values)
    rated = ratings(time_us)
    best = [float("inf")] * 2
    for _ in range(times):
        for i, step in enumerate((lambda: ours(time_us, stage_m, rated), lambda: bare(time_us, stage_m))):
            gc.collect()
            start = time.perf_counter()
            step()
            best[i] = min(best[i], time.perf_counter() - start)
    return (
        f"record of {values:,} stages with uncertainty, marks, daily values and statistics: {best[0] / best[1]:.1f} x "
        f"bare numpy rating and pandas daily mean ({best[0]:.2f} s against {best[1]:.2f} s)"
    )


def record_growth(years: tuple[int, ...] = (5, 50, 200)) -> str:
    """Say what a value costs in records of several lengths, and what memory computing the longest took at its peak."""
    spent = []
    for count in years:
        time_us, stage_m = stage(35_064 * count)
        rated = ratings(time_us)
        start = time.perf_counter()
        ours(time_us, stage_m, rated)
        spent.append((time.perf_counter() - start) / stage_m.size * 1e9)
    tracemalloc.start()
    ours(time_us, stage_m, rated)
    peak = tracemalloc.get_traced_memory()[1] / stage_m.size
    tracemalloc.stop()
    costs = ", ".join(f"{count}: {cost:.0f}" for count, cost in zip(years, spent, strict=True))
    return f"nanoseconds a stage in records of so many years {costs}; {peak:.0f} bytes a stage at the peak"


if __name__ == "__main__":
    print(record_ratio())
    print(record_growth())
