"""Shifts: the sign, how they hold in time and stage, and proposals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import shift as sh
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.shift_proposal import propose

CURVE = Curve(np.array([0.2, 1.2]), np.array([4.0, 16.0]), np.array([0.2, 0.7]), np.array([2.0, 2.0]))
"""``4 (h - 0.2)^2`` up to 1.2 m, ``16 (h - 0.7)^2`` above."""


def days(*numbers):
    """Moments, in days of an invented month."""
    return np.datetime64("2025-06-01T00:00:00", "us") + (np.array(numbers) * 86_400_000_000).astype("timedelta64[us]")


def micros(moments):
    """Microseconds since 1970."""
    return moments.astype("datetime64[us]").astype(np.int64)


def made(moments, stage, shift):
    """Shifts that state no uncertainty."""
    return sh.Shifts(micros(moments), stage, shift, np.full(shift.size, np.nan))


def test_a_control_that_fills_makes_a_negative_shift():
    """1 m3/s belongs to 0.7 m; measured at 0.8 m the shift is -0.1 m, and the rating at 0.8 m with it gives 1 again."""
    shift = sh.of_gauging(CURVE, np.array([0.8]), np.array([1.0]))
    assert shift[0] == pytest.approx(-0.1)
    assert sh.shifted(CURVE, np.array([0.8]), shift)[0] == pytest.approx(1.0)


@given(st.floats(0.25, 4), st.floats(0.01, 50))
def test_a_gaugings_own_shift_brings_it_onto_the_rating(stage, discharge):
    """Departure after the gauging's own shift is 0 at any stage and discharge."""
    h, q = np.array([stage]), np.array([discharge])
    after = sh.departure(q, sh.shifted(CURVE, h, sh.of_gauging(CURVE, h, q)))
    assert after[0] == pytest.approx(0, abs=1e-6)


def test_departure_before_and_after_by_hand():
    """1.21 m3/s where the rating says 1.00 is +21 %; where the rating says 0 there is no percent."""
    np.testing.assert_allclose([21.0, np.nan], sh.departure(np.array([1.21, 0.5]), np.array([1.0, 0.0])))


def test_an_observed_zero_above_the_rating_zero_shifts_down_to_it():
    """No flow at 0.3 m: the least shift is -0.1 m; no flow at 0.1 m agrees with the rating."""
    np.testing.assert_allclose([-0.1, 0.0], sh.of_gauging(CURVE, np.array([0.3, 0.1]), np.zeros(2)), atol=1e-12)


def test_between_gaugings_linear_and_held_and_outside_estimated():
    """Shifts 0 on day 2 and 0.1 on day 6: half way 0.05, or 0 where held; outside, the nearest, marked."""
    shifts = made(days(6, 2), np.full(2, np.nan), np.array([0.1, 0.0]))
    at = days(0, 2, 4, 6, 9)
    value, _, estimated = shifts.at(micros(at), np.full(5, 1.0))
    np.testing.assert_allclose([0, 0, 0.05, 0.1, 0.1], value, atol=1e-12)
    np.testing.assert_array_equal([True, False, False, False, True], estimated)
    np.testing.assert_allclose([0, 0, 0, 0.1, 0.1], shifts.at(micros(at), np.full(5, 1.0), "held")[0], atol=1e-12)


def test_no_shifts_at_all_is_zero_and_estimated():
    """Without any gauging the rating stands as it is and the record is estimated."""
    none = made(days(), np.zeros(0), np.zeros(0))
    value, _, estimated = none.at(micros(days(1, 2)), np.ones(2))
    np.testing.assert_array_equal([0, 0], value)
    assert estimated.all()


def test_a_shift_curve_is_straight_between_its_points_and_held_beyond():
    """-0.2 m at 0.5 m fading to 0 at 1.5 m: -0.1 at 1.0 m, -0.2 below, 0 above; a missing stage has no shift."""
    shifts = made(days(1, 1), np.array([1.5, 0.5]), np.array([0.0, -0.2]))
    value, *_ = shifts.at(micros(days(1, 2, 3, 4)), np.array([1.0, 0.1, 3.0, np.nan]))
    np.testing.assert_allclose([-0.1, -0.2, 0.0, np.nan], value, atol=1e-12)


def test_shift_curves_follow_each_other_in_time_at_the_same_stage():
    """A shift curve on day 1, none on day 3 (0 at every stage): on day 2 each stage has half of its shift."""
    shifts = made(days(1, 1, 3), np.array([0.5, 1.5, np.nan]), np.array([-0.2, 0.0, 0.0]))
    value, *_ = shifts.at(micros(days(2, 2, 2)), np.array([0.5, 1.0, 1.5]))
    np.testing.assert_allclose([-0.1, -0.05, 0.0], value, atol=1e-12)


@given(
    st.lists(st.tuples(st.integers(0, 9), st.integers(0, 40), st.floats(-0.3, 0.3)), min_size=1, max_size=15), st.data()
)
def test_many_shift_curves_agree_with_one_by_one(rows, data):
    """Asked all at once, shift curves give what numpy gives one curve and one moment at a time."""
    kept = {(day, stage): value for day, stage, value in rows}
    start = days(*[day for day, _ in kept])
    stage, value = np.array([s / 10 for _, s in kept]), np.array(list(kept.values()))
    shifts = made(start, stage, value)
    day, at = data.draw(st.integers(-86_400, 950_400)) / 86_400, data.draw(st.floats(-1, 6))
    got, _, estimated = shifts.at(micros(days(day)), np.array([at]))
    number = sorted({d for d, _ in kept})
    each = []
    for d in number:
        points = sorted((s / 10, v) for (k, s), v in kept.items() if k == d)
        each.append(np.interp(at, *zip(*points, strict=True)))
    assert got[0] == pytest.approx(np.interp(day, number, each), abs=1e-6)
    assert estimated[0] == (day < number[0] or day > number[-1])


def test_two_shifts_at_one_stage_and_moment_are_refused():
    """Two shifts of one moment and stage, or a shift without stage beside a curve, contradict each other."""
    for stage in (np.array([0.5, 0.5]), np.array([np.nan, np.nan]), np.array([0.5, np.nan])):
        with pytest.raises(RatingError, match="one row per stage"):
            made(days(1, 1), stage, np.array([0.1, 0.2]))
    with pytest.raises(RatingError, match="all with a value"):
        made(days(1), np.array([0.5]), np.array([np.nan]))


def test_within_its_uncertainty_a_gauging_needs_no_shift():
    """4 % off with 5 % allowed: shift 0, said so; 10 % off: its own shift."""
    stage = np.array([0.7, 0.7])
    got = propose(CURVE, days(1, 5), stage, np.array([1.04, 1.10]), uncertainty=np.array([0.05, 0.05]))
    np.testing.assert_array_equal([True, False], got.gaugings["within"])
    own = np.sqrt(1.10 / 4) + 0.2 - 0.7
    np.testing.assert_allclose([0.0, own], got.entries["shift_m"])
    assert got.sentences[0] == "2025-06-02: 1.04 m3/s at 0.700 m, +4.0 % from the rating and within 5.0 %: no shift"
    assert "shift +0.024 m" in got.sentences[1]
    np.testing.assert_allclose([4.0, 0.0], got.gaugings["departure_after_pct"], atol=1e-9)


def test_uncertain_stage_counts_as_discharge():
    """2 cm at 0.7 m are 8 % of discharge (beta U/(h - e)), so 9 % off is within 5 and 8 % together."""
    both = {"uncertainty": np.array([0.05]), "stage_uncertainty_m": 0.02}
    assert propose(CURVE, days(1), np.array([0.7]), np.array([1.09]), **both).gaugings["within"][0]
    assert not propose(CURVE, days(1), np.array([0.7]), np.array([1.10]), **both).gaugings["within"][0]


def test_by_gauging_by_time_and_by_stage():
    """The same two gaugings, held, in a line through time, or as a shift curve over stage."""
    stage, discharge = np.array([0.7, 1.7]), np.array([0.64, 16.0])
    at, level = days(3), np.array([1.2])
    held = propose(CURVE, days(1, 5), stage, discharge, way="by gauging")
    line = propose(CURVE, days(1, 5), stage, discharge, way="by time")
    curve = propose(CURVE, days(1, 5), stage, discharge, way="by stage")
    got = [p.shifts.at(micros(at), level, p.between)[0][0] for p in (held, line, curve)]
    np.testing.assert_allclose([-0.1, -0.05, -0.05], got, atol=1e-9)
    assert curve.entries["stage_m"].tolist() == [0.7, 1.7]
    assert any("look at it before adopting" in s for s in curve.sentences)


def test_a_lasting_change_asks_for_a_new_rating():
    """Four gaugings in a row beyond their uncertainty on one side ask for a new rating; three do not."""
    stage, low = np.linspace(0.6, 1.1, 5), np.array([0.0, -0.1, -0.1, -0.1, -0.1])
    four = propose(CURVE, days(1, 2, 3, 4, 5), stage, CURVE.discharge(stage + low))
    three = propose(CURVE, days(1, 2, 3, 4), stage[:4], CURVE.discharge(stage + low)[:4])
    assert "last 4 gaugings, since 2025-06-03" in four.sentences[-1]
    assert not any("new rating" in sentence for sentence in three.sentences)


def test_no_gauging_and_bad_gaugings():
    """Without gaugings nothing is proposed and it is said; a missing moment or reversed flow is refused."""
    nothing = propose(CURVE, days(), np.zeros(0), np.zeros(0))
    assert nothing.entries.empty
    assert "no gauging" in nothing.sentences[0]
    with pytest.raises(RatingError, match="no shift is proposed"):
        propose(CURVE, np.array(["NaT"], dtype="datetime64[us]"), np.ones(1), np.ones(1))
    with pytest.raises(RatingError, match="no shift is proposed"):
        propose(CURVE, days(1), np.ones(1), -np.ones(1))


def test_zeros_are_gaugings_too():
    """A zero where the rating says 0 needs no shift; flow where the rating says 0 has one, though no percent."""
    got = propose(CURVE, days(1, 2), np.array([0.1, 0.15]), np.array([0.0, 0.04]))
    np.testing.assert_array_equal([True, False], got.gaugings["within"])
    assert "where the rating says 0 too" in got.sentences[0]
    assert got.entries["shift_m"][1] == pytest.approx(0.15)


def test_a_record_outside_the_gaugings_is_told_by_the_first_and_the_last_of_them():
    """Of three gaugings, handed in in any order, the earliest and the latest bound what is not estimated."""
    stage = np.array([0.7, 0.9, 1.1])
    said = propose(CURVE, days(9, 2, 4), stage, CURVE.discharge(stage)).sentences
    outside = "before 2025-06-03 00:00 and after 2025-06-10 00:00 the nearest shift is held and the record estimated"
    assert [sentence for sentence in said if "nearest shift" in sentence] == [outside]


@pytest.mark.parametrize(("side", "word"), [(1, "below"), (-1, "above")])
def test_a_lasting_change_is_told_on_the_side_of_its_own_gaugings(side, word):
    """Two on the one side before four on the other: the four say which it is."""
    stage = np.linspace(0.6, 1.1, 6)
    low = side * np.array([0.1, 0.1, -0.1, -0.1, -0.1, -0.1])
    made = propose(CURVE, days(1, 2, 3, 4, 5, 6), stage, CURVE.discharge(stage + low))
    assert f"last 4 gaugings, since 2025-06-04, all lie {word} the rating" in made.sentences[-1]


@pytest.mark.parametrize(("off", "within"), [(1.049, True), (1.055, False), (0.951, True), (0.945, False)])
def test_a_gauging_of_unknown_uncertainty_has_five_percent(off, within):
    """Of 1 m3/s at 0.7 m, on either side."""
    assert propose(CURVE, days(1), np.array([0.7]), np.array([off])).gaugings["within"].tolist() == [within]
