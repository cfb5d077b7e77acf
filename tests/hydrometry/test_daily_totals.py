"""Months, water years, duration, low and high flows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.record.totals import (
    annual_maximum,
    discharge_reached,
    flow_duration,
    monthly_totals,
    moving_means,
    seven_day_minimum,
    water_year,
    yearly_totals,
)


def _days(start, means, u=0.1):
    mean = np.asarray(means, dtype=np.float64)
    day = pd.Series(pd.date_range(start, periods=mean.size, freq="D", unit="s"))
    return pd.DataFrame({"day": day, "mean_m3_s": mean, "maximum_m3_s": mean + 1, "uncertainty_m3_s": u * mean})


def test_water_years_are_named_for_the_year_they_end():
    """30 September 2024 is in water year 2024, 1 October in 2025; from July in the south."""
    day = pd.Series(pd.to_datetime(["2024-09-30", "2024-10-01", "2024-06-30", "2024-07-01"]))
    assert water_year(day, 10).tolist() == [2024, 2025, 2024, 2024]
    assert water_year(day, 7).tolist() == [2025, 2025, 2024, 2025]
    assert water_year(day, 1).tolist() == [2024] * 4


def test_a_month_is_the_sum_of_its_days():
    """1 m3/s through February 2024 is 29 x 86,400 m3, its errors one error."""
    found = monthly_totals(_days("2024-02-01", np.ones(29))).iloc[0]
    assert (found["year"], found["month"], found["days"]) == (2024, 2, 29)
    assert found["volume_m3"] == 29 * 86_400
    assert found["uncertainty_m3"] == pytest.approx(0.1 * 29 * 86_400)


def test_a_month_that_lacks_days_has_no_total_unless_the_rule_allows():
    """One missing day: no total; with a day allowed, the mean of the others over all days."""
    days = _days("2024-02-01", np.r_[np.ones(28), np.nan])
    assert np.isnan(monthly_totals(days)["volume_m3"].iloc[0])
    assert monthly_totals(days, 1)["volume_m3"].iloc[0] == pytest.approx(29 * 86_400)
    cut = days.iloc[:20]
    assert monthly_totals(cut)["days_known"].iloc[0] == 20
    assert np.isnan(monthly_totals(cut)["volume_m3"].iloc[0])


def test_a_water_year_is_its_months():
    """The total of a water year is that of its twelve months; a leap year has 366 days."""
    flow = 2 + np.sin(np.arange(366) / 50)
    days = _days("2023-10-01", flow)
    year, months = yearly_totals(days), monthly_totals(days)
    assert year["water_year"].tolist() == [2024]
    assert year["days"].tolist() == [366]
    assert year["volume_m3"].iloc[0] == pytest.approx(months["volume_m3"].sum())
    assert yearly_totals(days, 1)["days"].tolist() == [365, 366]
    assert yearly_totals(days, 1)["volume_m3"].isna().all()


def test_days_of_equal_flow_share_the_larger_rank():
    """5, 3, 3, 1: reached on 20, 60, 60 and 80 % of days."""
    found = flow_duration(np.array([3.0, 5.0, np.nan, 1.0, 3.0]))
    assert found["discharge_m3_s"].tolist() == [5.0, 3.0, 1.0]
    np.testing.assert_allclose([20, 60, 80], found["reached_pct"])
    np.testing.assert_allclose([3.0, 4.0, np.nan, np.nan], discharge_reached(found, np.array([60, 40, 10, 90.0])))
    assert flow_duration(np.array([np.nan])).empty
    assert np.isnan(discharge_reached(flow_duration(np.zeros(0)), np.array([50.0]))).all()


@given(st.lists(st.integers(0, 9), min_size=1, max_size=40), st.floats(0.1, 9))
def test_duration_scales_and_forgets_order(flows, factor):
    """The order of days does not matter, and k times the flow is reached as often."""
    flow = np.array(flows, dtype=np.float64)
    one, other = flow_duration(flow), flow_duration(factor * flow[::-1])
    np.testing.assert_array_equal(one["rank"], other["rank"])
    np.testing.assert_allclose(factor * one["discharge_m3_s"], other["discharge_m3_s"])


def test_seven_days_are_complete_days_of_one_year():
    """A missing day breaks the run, and a run across the turn of the year belongs to neither."""
    flow = np.full(20, 5.0)
    flow[3] = np.nan
    flow[8:12] = 1.0
    found = seven_day_minimum(_days("2024-05-01", flow))
    assert found["minimum_m3_s"].tolist() == [pytest.approx((4 * 1 + 3 * 5) / 7)]
    assert found["from_day"].iloc[0] == pd.Timestamp("2024-05-06")
    assert found["runs"].iloc[0] == 10
    turn = seven_day_minimum(_days("2024-03-28", np.arange(12.0)))
    assert turn["year"].tolist() == [2024]
    assert turn["from_day"].iloc[0] == pd.Timestamp("2024-04-01")
    assert seven_day_minimum(_days("2024-03-29", np.arange(6.0))).empty


def test_the_greatest_of_a_year_names_its_day():
    """Value and daily mean with the first day on which they stood; the days known are counted."""
    flow = np.array([1.0, 7.0, np.nan, 7.0, 2.0])
    found = annual_maximum(_days("2024-09-28", flow))
    assert found["water_year"].tolist() == [2024, 2025]
    assert found["maximum_m3_s"].tolist() == [8.0, 8.0]
    assert found["daily_maximum_m3_s"].tolist() == [7.0, 7.0]
    assert found["maximum_day"].dt.strftime("%m-%d").tolist() == ["09-29", "10-01"]
    assert found["days_known"].tolist() == [2, 2]


def test_no_days_have_no_statistics():
    """Empty in, empty out; all missing gives no maximum."""
    nothing = _days("2024-01-01", [])
    for made in (monthly_totals(nothing), yearly_totals(nothing), seven_day_minimum(nothing), annual_maximum(nothing)):
        assert made.empty
    missing = annual_maximum(_days("2024-01-01", [np.nan, np.nan]))
    assert missing["maximum_m3_s"].isna().all()
    assert moving_means(np.ones(3)).size == 0
