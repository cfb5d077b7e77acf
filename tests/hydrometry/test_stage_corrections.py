"""Dated corrections of stage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.stage.corrections import Corrections, propose_corrections, staff_against_sensor

DAY = 86_400_000_000


def _corrections(*rows):
    columns = list(zip(*rows, strict=True)) if rows else [[], [], [], []]
    kinds = (np.int64, np.int64, np.float64, np.float64)
    return Corrections(*(np.array(c, dtype=k) for c, k in zip(columns, kinds, strict=True)))


def test_a_correction_runs_linearly_and_ends_before_its_end():
    """From 0 to 0.10 m over ten days: 0.05 m in the middle, nothing at the end and before the start."""
    one = _corrections((0, 10 * DAY, 0.0, 0.1))
    np.testing.assert_allclose([0.0, 0.0, 0.05, 0.09, 0.0], one.at(np.array([-1, 0, 5, 9, 10]) * DAY), atol=1e-15)
    assert one.at(np.array([10 * DAY - 1]))[0] == pytest.approx(0.1)


def test_corrections_of_one_moment_add_up():
    """An offset of 0.02 m over a drift to 0.1 m gives their sum, and exactly 0 where neither holds."""
    two = _corrections((0, 10 * DAY, 0.0, 0.1), (5 * DAY, 20 * DAY, 0.02, 0.02))
    found = two.at(np.array([4, 5, 9, 10, 19, 20, 30]) * DAY)
    np.testing.assert_allclose([0.04, 0.07, 0.11, 0.02, 0.02, 0.0, 0.0], found, atol=1e-15)
    assert found[-2:].tolist() == [0.0, 0.0]


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(1, 20), st.floats(-1, 1), st.floats(-1, 1)), max_size=8),
    st.lists(st.integers(-5, 70 * 24), min_size=1, max_size=30),
)
def test_the_sum_is_that_of_each_alone(rows, hours):
    """At any moment the sum is what each correction gives by its own formula."""
    rows = [(a * DAY, (a + d) * DAY, s, e) for a, d, s, e in rows]
    time = np.array(hours) * (DAY // 24)
    expected = np.zeros(time.size)
    for a, b, s, e in rows:
        expected += np.where((time >= a) & (time < b), s + (e - s) * (time - a) / (b - a), 0.0)
    np.testing.assert_allclose(expected, _corrections(*rows).at(time), atol=1e-12)


def test_a_correction_that_ends_before_it_starts_is_refused():
    """The row is named."""
    with pytest.raises(ValueError, match="correction 1"):
        _corrections((0, DAY, 0.0, 0.0), (DAY, DAY, 0.0, 0.1))


def _visits(differences):
    time = np.arange(101) * (DAY // 10)
    stage = np.ones(101)
    read = np.arange(len(differences)) * 3 * DAY
    return staff_against_sensor(time, stage, read, 1 + np.array(differences))


def test_staff_and_sensor_are_compared_at_each_visit():
    """Staff less sensor, in order of time; a visit in a gap of the sensor has no difference."""
    time = np.array([0, 1, 2, 30]) * DAY // 24
    stage = np.array([1.0, 1.2, np.nan, 2.0])
    read = np.array([5 * DAY // 24, DAY // 48])
    found = staff_against_sensor(time, stage, read, np.array([3.0, 1.15]))
    assert sorted(read.tolist()) == found["read_us"].tolist()
    np.testing.assert_allclose([0.05, np.nan], found["difference_m"])
    np.testing.assert_allclose([0.2, np.nan], found["change_m"])


def test_an_offset_a_drift_and_nothing_are_told_apart():
    """Differences 0, 0, 0.04, 0.04 m: nothing, a drift, an offset, and the last one held to the end."""
    proposed = propose_corrections(_visits([0.0, 0.0, 0.04, 0.04]), 10 * DAY)
    assert proposed["kind"].tolist() == ["drift", "offset", "held"]
    np.testing.assert_allclose([0.0, 0.04, 0.04], proposed["start_m"], atol=1e-12)
    np.testing.assert_allclose([0.04, 0.04, 0.04], proposed["end_m"], atol=1e-12)
    assert proposed["from_us"].tolist() == [3 * DAY, 6 * DAY, 9 * DAY]
    assert proposed["to_us"].tolist() == [6 * DAY, 9 * DAY, 10 * DAY]
    assert all("+0.040 m" in reason for reason in proposed["reason"])


def test_adopted_drift_brings_the_sensor_to_the_staff():
    """With the proposals adopted the sensor reads what the staff does at each visit, within the offsets' averaging."""
    visits = _visits([0.0, 0.05, 0.12, -0.03])
    proposed = propose_corrections(visits, 10 * DAY)
    adopted = Corrections(*(proposed[c].to_numpy() for c in ("from_us", "to_us", "start_m", "end_m")))
    read = visits["read_us"].to_numpy()
    np.testing.assert_allclose(visits["difference_m"], adopted.at(read), atol=1e-12)


@pytest.mark.parametrize("count", [0, 1])
def test_no_visit_and_one_visit(count):
    """No visit proposes nothing; one in agreement proposes nothing either."""
    assert propose_corrections(_visits([0.0] * count), 10 * DAY).empty
    empty = np.zeros(0, dtype=np.int64)
    assert staff_against_sensor(empty, np.zeros(0), empty, np.zeros(0)).empty
    assert np.isnan(staff_against_sensor(empty, np.zeros(0), np.array([5]), np.array([1.0]))["difference_m"]).all()
