"""Small cases of record computing: daily mean, plotting position, seven-day low flow, units.

Daily mean: DERIVED from its definition. Plotting position: READ, University of Houston flooding exercise (Brazos River
near Simonton), N 77. Seven-day low flow: READ on a how-to page of low authority. Units: READ in a USGS annual
water-supply paper, p. 1; the foot is 0.3048 m exactly.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.record.daily import GapRule, daily_values
from stillwell.hydrometry.record.totals import flow_duration, monthly_totals, moving_means, seven_day_minimum

FOOT = 0.3048


def test_daily_mean_of_five_values():
    """1, 2, 6, 3, 1 m3/s at 6 h average to 3.0 over the day, where their plain mean is 2.6."""
    flow = np.array([1.0, 2.0, 6.0, 3.0, 1.0])
    time = np.arange(5) * 6 * 3_600_000_000
    daily = daily_values(time, flow, flow, np.zeros(5, dtype=np.uint8), 0, GapRule(21_600.0, 1.0))
    assert daily["mean_m3_s"].iloc[0] == pytest.approx(3.0, abs=1e-12)
    assert len(daily) == 2
    assert np.isnan(daily["mean_m3_s"].iloc[1])
    assert daily["values"].tolist() == [4, 1]


def test_largest_of_77_is_reached_on_1_28_percent():
    """``P = 100 x 1 / 78 = 1.28 %``, once in 78."""
    first = flow_duration(np.arange(77.0)).iloc[0]
    assert first["reached_pct"] == pytest.approx(1.28, abs=0.005)
    assert first["return_days"] == pytest.approx(78.0)


def test_seven_day_means_and_minimum():
    """Fourteen days give eight means, the smallest 7.71."""
    flow = np.array([12, 11, 10, 9, 8, 7, 6, 7, 8, 9, 10, 11, 12, 13], dtype=np.float64)
    expected = [9.00, 8.29, 7.86, 7.71, 7.86, 8.29, 9.00, 10.00]
    np.testing.assert_allclose(expected, moving_means(flow), atol=0.005)
    day = pd.Series(pd.date_range("2024-06-01", periods=14, unit="s"))
    found = seven_day_minimum(pd.DataFrame({"day": day, "mean_m3_s": flow}))
    assert found["minimum_m3_s"].iloc[0] == pytest.approx(7.71, abs=0.005)


def test_one_cubic_foot_a_second_for_a_day():
    """86,400 ft3, 1.983471 acre-ft, 646,317 US gallons, 0.0372 in on a square mile."""
    day = pd.Series(pd.date_range("2024-06-01", periods=30, unit="s"))
    mean = np.full(30, FOOT**3)
    month = monthly_totals(pd.DataFrame({"day": day, "mean_m3_s": mean, "uncertainty_m3_s": mean}))
    one_day = month["volume_m3"].iloc[0] / 30
    assert pytest.approx(0.028316846592, abs=1e-15) == FOOT**3
    assert one_day / FOOT**3 == pytest.approx(86_400)
    assert one_day / (43_560 * FOOT**3) == pytest.approx(1.983471, abs=5e-7)
    assert one_day / (231 * (FOOT / 12) ** 3) == pytest.approx(646_317, abs=0.5)
    assert one_day / (5_280 * FOOT) ** 2 / (FOOT / 12) == pytest.approx(0.0372, abs=5e-5)
