"""Daily values of a discharge record."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.spans_in_force import Mark, RatingInForce, Table
from stillwell.hydrometry.record.daily import GapRule, daily_values
from stillwell.hydrometry.record.discharge import discharge_record

HOUR = 3_600_000_000
DAY = 24 * HOUR


def _daily(hours, discharge, offset_h=0.0, rule=None, u=None, marks=None):
    time = np.round(np.asarray(hours, dtype=np.float64) * HOUR).astype(np.int64)
    q = np.asarray(discharge, dtype=np.float64)
    marks = np.zeros(q.size, dtype=np.uint8) if marks is None else np.asarray(marks, dtype=np.uint8)
    return daily_values(time, q, 0.1 * q if u is None else u, marks, round(offset_h * 3600), rule)


ALL = GapRule(1e12, 0.0)


def test_values_at_midnight_are_interpolated():
    """1 at 23:00 and 3 at 01:00 make 2 at midnight: the hours on either side average 1.5 and 2.5 (algebra)."""
    found = _daily([23, 25], [1.0, 3.0], rule=GapRule(7200.0, 1 / 24))
    np.testing.assert_allclose([1.5, 2.5], found["mean_m3_s"])
    np.testing.assert_allclose([1 / 24, 1 / 24], found["share_known"])
    assert found["minimum_m3_s"].tolist() == [1.0, 3.0]


def test_the_day_is_the_site_s_standard_day():
    """With an offset of -7 h the day runs from 07:00 to 07:00 UTC and takes its first moment, not its last."""
    hours = np.arange(0, 49)
    found = _daily(hours, np.where(hours < 31, 1.0, 5.0), -7.0, ALL)
    assert found["from_us"].tolist() == [(h - 24) * HOUR for h in (7, 31, 55)]
    assert found["day"].dt.strftime("%Y-%m-%d").tolist() == ["1969-12-31", "1970-01-01", "1970-01-02"]
    assert found["maximum_m3_s"].tolist() == [1.0, 1.0, 5.0]
    assert found["values"].tolist() == [7, 24, 18]


def test_a_day_without_values_lies_on_the_line_across_it():
    """0 at noon and 6 at noon three days later: means of the two days between are 2 and 4 (algebra), if bridged."""
    found = _daily([12, 84], [0.0, 6.0], rule=ALL)
    np.testing.assert_allclose([0.5, 2.0, 4.0, 5.5], found["mean_m3_s"])
    assert found["values"].tolist() == [1, 0, 0, 1]
    assert np.isnan(found["maximum_m3_s"].iloc[1])
    closed = _daily([12, 84], [0.0, 6.0])
    assert closed["mean_m3_s"].isna().all()
    np.testing.assert_allclose([43_200, 86_400, 86_400, 43_200], closed["largest_gap_s"])


def test_the_gap_rule_says_what_is_bridged_and_how_much_must_be_known():
    """Without the values from 07:00 to 09:00 the gap is 4 h: bridged by a rule of 4 h, else 20/24 of the day known."""
    hours = np.delete(np.arange(0, 25), [7, 8, 9])
    flow = hours.astype(float)
    bridged = _daily(hours, flow, rule=GapRule(4 * 3600.0, 0.9)).iloc[0]
    assert bridged["mean_m3_s"] == pytest.approx(12.0)
    assert bridged["share_known"] == 1.0
    assert bridged["largest_gap_s"] == 4 * 3600
    open_ = _daily(hours, flow, rule=GapRule(3 * 3600.0, 0.9)).iloc[0]
    assert np.isnan(open_["mean_m3_s"])
    assert open_["share_known"] == pytest.approx(20 / 24)
    known = _daily(hours, flow, rule=GapRule(3 * 3600.0, 0.8)).iloc[0]
    assert known["mean_m3_s"] == pytest.approx((18.0 + (24**2 - 10**2) / 2) / 20)


def test_missing_values_are_absent_values():
    """A missing discharge counts as if it had not been there, but its marks are kept."""
    hours = np.arange(0, 25)
    flow = hours.astype(float)
    flow[5:9] = np.nan
    marks = np.where(np.isnan(flow), Mark.NO_RATING, 0)
    with_nan = _daily(hours, flow, marks=marks)
    without = _daily(hours[~np.isnan(flow)], flow[~np.isnan(flow)])
    pd.testing.assert_frame_equal(with_nan.drop(columns="marks"), without.drop(columns="marks"))
    assert with_nan["marks"].iloc[0] == Mark.NO_RATING


def test_uncertainty_of_a_day_is_one_error_for_the_whole_day():
    """10 % of each value is 10 % of the mean, not a tenth of that by averaging."""
    found = _daily(np.arange(0, 25), np.linspace(1, 9, 25)).iloc[0]
    assert found["uncertainty_m3_s"] == pytest.approx(0.1 * found["mean_m3_s"])


def test_the_mean_of_discharge_is_not_the_discharge_of_the_mean_stage():
    """Under ``Q = h^2`` a stage that runs from 0 to 2 m gives 4/3 m3/s, where its mean stage would give 1 (algebra)."""
    curve = Curve(np.array([0.0]), np.array([1.0]), np.array([0.0]), np.array([2.0]))
    rating = RatingInForce(0, curve, 0.0, 9.0, Table(np.array([0.0]), np.array([0.0])))
    time = np.arange(24 * 60 + 1) * (HOUR // 60)
    record = discharge_record(time, np.linspace(0, 2, time.size), [rating])
    daily = daily_values(time, record.discharge_m3_s, record.uncertainty_m3_s, record.marks, 0)
    assert daily["mean_m3_s"].iloc[0] == pytest.approx(4 / 3, rel=1e-6)


@given(st.floats(0, 1e4), st.integers(-47, 56), st.integers(1, 90))
def test_constant_discharge_is_its_own_daily_mean(flow, half_hours, minutes):
    """Whatever the interval and the site's offset, each whole day of a constant discharge averages to it."""
    time = np.arange(0, 4 * 1440, minutes) / 60
    found = _daily(time, np.full(time.size, flow), half_hours / 2)
    whole = found[found["share_known"] > 0.999999]
    assert len(whole) >= 2
    np.testing.assert_allclose(flow, whole["mean_m3_s"], rtol=1e-12)


times = st.lists(st.integers(0, 5 * 1440), min_size=2, max_size=60, unique=True).map(lambda m: np.array(sorted(m)) / 60)


@given(times, st.integers(0, 10**6), st.integers(-24, 28))
def test_daily_volumes_are_the_integral_of_the_lines(hours, seed, half_hours):
    """Any times: mean times known time of each day is the line integral between its midnights, by a fine grid."""
    flow = np.random.default_rng(seed).uniform(0, 9, hours.size)
    rule = GapRule(6 * 3600.0, 0.0)
    found = _daily(hours, flow, half_hours / 2, rule)
    minute = np.arange(round(hours[0] * 60), round(hours[-1] * 60))
    low = np.searchsorted(hours, (minute + 0.5) / 60, side="right") - 1
    joined = np.diff(hours)[low] <= 6 + 1e-9
    middle = np.interp((minute + 0.5) / 60, hours, flow)
    day = (minute + half_hours * 30) // 1440
    first = int(found["from_us"].iloc[0] + half_hours * 30 * HOUR // 60) // DAY
    assert not found.empty
    for k in range(len(found)):
        here = joined & (day == first + k)
        row = found.iloc[k]
        assert row["share_known"] == pytest.approx(here.sum() / 1440, abs=1e-9)
        if here.any():
            assert row["mean_m3_s"] == pytest.approx(middle[here].mean(), rel=1e-9)
        else:
            assert np.isnan(row["mean_m3_s"])


@given(times, st.integers(-(10**4), 10**4))
def test_whole_days_of_shift_move_the_days_only(hours, days):
    """Moving a record by whole days moves its days and changes nothing else."""
    flow = 1 + np.cos(hours)
    here, there = _daily(hours, flow, rule=ALL), _daily(hours + 24 * days, flow, rule=ALL)
    same = [c for c in here if c not in {"day", "from_us", "to_us"}]
    pd.testing.assert_frame_equal(here[same], there[same], rtol=1e-9)
    np.testing.assert_array_equal(here["from_us"] + days * DAY, there["from_us"])


@given(times, st.integers(1, 4))
def test_days_do_not_depend_on_the_days_beside_them(hours, cut):
    """A record cut at a midnight at which it has a value gives the same days on both sides."""
    hours = np.union1d(hours, [24.0 * cut])
    flow = 1 + np.sin(hours)
    whole = _daily(hours, flow, rule=ALL)
    late = hours >= 24 * cut
    part = _daily(hours[late], flow[late], rule=ALL)
    same = whole[whole["from_us"] >= 24 * cut * HOUR].reset_index(drop=True)
    pd.testing.assert_frame_equal(same, part)


@pytest.mark.parametrize(("hours", "flow"), [([], []), ([5], [1.0]), ([5], [np.nan]), ([1, 2, 30], [np.nan] * 3)])
def test_bad_records_give_days_without_a_mean_and_no_warning(hours, flow):
    """Nothing, one value or only missing ones: no mean."""
    found = _daily(hours, flow)
    assert found["mean_m3_s"].isna().all()
    assert len(found) == len({h // 24 for h in hours})


def test_times_that_do_not_rise_are_refused():
    """A repeated time has no integral."""
    with pytest.raises(ValueError, match="times that rise"):
        _daily([1, 1], [1.0, 2.0])


def test_a_day_without_values_has_no_marks():
    """Marks of a day are those of its values together; where there are none nothing is marked."""
    assert _daily([3, 12, 84], [1.0, 1.0, 1.0], marks=[1, 4, 2])["marks"].tolist() == [5, 0, 0, 2]
