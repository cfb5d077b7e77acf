"""Stage to discharge with uncertainty and marks."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.segments import curve_of, rows_of
from stillwell.hydrometry.rating.shift import Shifts
from stillwell.hydrometry.rating.spans_in_force import Mark, RatingInForce, Spans, Table, spans_of_ratings
from stillwell.hydrometry.rating.which_rating_holds import _uncertainty
from stillwell.hydrometry.record.discharge import discharge_record, recompute

DAY = 86_400_000_000
QUARTER = DAY // 96

PARABOLA = Curve(np.array([0.2]), np.array([4.0]), np.array([0.2]), np.array([2.0]))
TWO = Curve(np.array([0.2, 1.2]), np.array([4.0, 16.0]), np.array([0.2, 0.7]), np.array([2.0, 2.0]))
THREE = Curve(
    np.array([0.2, 0.8, 2.0]), np.array([4.0, 6.0, 9.0]), np.array([0.2, 0.36, 0.63]), np.array([2.3, 1.9, 5 / 3])
)


def _rating(curve=PARABOLA, since=0, relative=0.0, shifts=None, lowest=0.3, highest=2.0):
    table = Table(np.array([0.0, 5.0]), np.array([relative, relative]))
    return RatingInForce(since, curve, lowest, highest, table, shifts)


def _shifts(*rows, u=0.0):
    when, stage, shift = (np.array(c, dtype=np.float64) for c in zip(*rows, strict=True))
    return Shifts(when.astype(np.int64), stage, shift, np.full(shift.size, u))


def _hours(count):
    return np.arange(count, dtype=np.int64) * (DAY // 24)


def test_discharge_is_the_rating_at_stage_and_shift():
    """4 (h + s - 0.2)^2 at 1.2 m: 4 m3/s without a shift, 4 x 1.1^2 with one of 0.1 m (algebra)."""
    stage = np.array([1.2, 1.2, np.nan])
    plain = discharge_record(_hours(3), stage, [_rating()])
    shifted = discharge_record(_hours(3), stage, [_rating(shifts=_shifts((0, np.nan, 0.1)))])
    np.testing.assert_allclose([4.0, 4.0, np.nan], plain.discharge_m3_s)
    np.testing.assert_allclose([4.84, 4.84, np.nan], shifted.discharge_m3_s)
    np.testing.assert_allclose(0.1, shifted.shift_m)


def test_uncertainties_add_up_as_squares():
    """At 1.2 m: 3 % of 4 m3/s is 0.12; slope 8 m2/s times hypot(0.03, 0.04) m is 0.40 (algebra)."""
    record = discharge_record(
        _hours(1), np.array([1.2]), [_rating(relative=0.03, shifts=_shifts((0, np.nan, 0.0), u=0.04))], 0.03
    )
    assert record.uncertainty_m3_s[0] == pytest.approx(np.hypot(0.12, 0.40))


def test_uncertainty_is_the_spread_of_many_errors():
    """Many draws of rating, shift and stage errors spread as the formula says (independent computation, 1 %)."""
    rng = np.random.default_rng(11)
    draws = 200_000
    stage = 1.4 + rng.normal(0, 0.004, draws) + rng.normal(0, 0.006, draws)
    drawn = TWO.discharge(stage) * (1 + rng.normal(0, 0.02, draws))
    shifts = _shifts((0, np.nan, 0.0), u=0.006)
    record = discharge_record(_hours(1), np.array([1.4]), [_rating(TWO, relative=0.02, shifts=shifts)], 0.004)
    assert drawn.std() == pytest.approx(record.uncertainty_m3_s[0], rel=0.01)


def test_at_zero_flow_an_unsure_stage_still_leaves_doubt():
    """0.05 m under the stage of zero flow, with u 0.06 m: no discharge, but 4 x 0.01^2 of uncertainty; deeper, none."""
    record = discharge_record(_hours(4), np.array([0.15, 0.2, 0.0, 0.2 + 1e-9]), [_rating()], 0.06)
    np.testing.assert_allclose([0, 0, 0, 0], record.discharge_m3_s, atol=1e-15)
    np.testing.assert_allclose([4 * 0.01**2, 4 * 0.06**2, 0.0, 4 * 0.06**2], record.uncertainty_m3_s, rtol=1e-9)


@given(
    st.sampled_from([PARABOLA, TWO, THREE]),
    hnp.arrays(np.float64, 20, elements=st.floats(-1, 6) | st.just(np.nan)),
    st.floats(0.0, 0.1),
)
def test_rating_agrees_with_the_curve_itself(curve, stage, u):
    """Discharge is the curve's, and what stage makes of it the curve's slope times u, never less than ``C u^beta``."""
    discharge, part = curve.rated(stage, np.float64(u))
    np.testing.assert_allclose(curve.discharge(stage), discharge, rtol=1e-12, atol=1e-300)
    at = curve.segment(stage)
    under = np.minimum(stage - curve.zero_m[at], 0.0)
    least = curve.coefficient[at] * np.maximum(u + under, 0.0) ** curve.exponent[at]
    near = ~(stage - curve.zero_m[at] > u)
    expected = np.where(near, np.maximum(curve.slope(stage) * u, least), curve.slope(stage) * u)
    np.testing.assert_allclose(expected, part, rtol=1e-9, atol=1e-300)


@pytest.mark.parametrize("power", [1.0, 1.5, 2.0, 2.5, 3.0, 1.67])
def test_powers_by_roots_and_products_are_powers(power):
    """Halves are raised by products and roots, others by pow: the same to 14 digits."""
    curve = Curve(np.array([0.0]), np.array([2.0]), np.array([0.0]), np.array([power]))
    stage = np.array([0.1, 1.0, 3.7])
    expected = [2 * h**power for h in (0.1, 1.0, 3.7)]
    np.testing.assert_allclose(expected, curve.rated(stage, np.float64(0))[0], rtol=1e-14)


def test_shift_by_time_is_linear_between_and_held_outside():
    """0.1 m on day 1 and 0.3 m on day 3: 0.2 m between, held before and after, and there marked estimated."""
    time = np.array([0, 1, 2, 3, 4]) * DAY
    record = discharge_record(
        time, np.full(5, 1.0), [_rating(shifts=_shifts((DAY, np.nan, 0.1), (3 * DAY, np.nan, 0.3)))]
    )
    np.testing.assert_allclose([0.1, 0.1, 0.2, 0.3, 0.3], record.shift_m)
    held = np.array([True, False, False, False, True])
    np.testing.assert_array_equal(held, (record.marks & Mark.ESTIMATED) > 0)
    np.testing.assert_array_equal(held, (record.marks & Mark.SHIFT_HELD) > 0)


def test_shift_by_stage_is_linear_in_stage_and_between_moments_in_time():
    """0.2 m at stage 1 and none at 2 on day 0, none at all on day 2: half of a half at stage 1.5 on day 1 (algebra)."""
    shifts = _shifts((0, 1.0, 0.2), (0, 2.0, 0.0), (2 * DAY, np.nan, 0.0))
    stage = np.array([0.5, 1.0, 1.5, 2.0, 3.0, np.nan])
    for day, expected in ((0, [0.2, 0.2, 0.1, 0.0, 0.0]), (1, [0.1, 0.1, 0.05, 0.0, 0.0]), (2, [0.0] * 5)):
        shift, _, held = shifts.at(np.full(6, day * DAY), stage)
        np.testing.assert_allclose(expected, shift[:5], atol=1e-15)
        assert np.isnan(shift[5])
        assert not held.any()


def test_shifts_that_contradict_each_other_are_refused():
    """Two values for every stage at one moment, or one stage twice, are no shift."""
    with pytest.raises(RatingError, match="contradict"):
        _shifts((0, np.nan, 0.1), (0, np.nan, 0.2))
    with pytest.raises(RatingError, match="one row per stage"):
        _shifts((0, 1.0, 0.1), (0, 1.0, 0.2))


def test_marks_say_what_lies_beyond_the_gauged_range():
    """Rated stage under 0.3 m and over 2 m is marked; the shift counts in."""
    record = discharge_record(_hours(4), np.array([0.25, 0.3, 2.0, 2.1]), [_rating()])
    assert record.marks.tolist() == [Mark.BELOW_GAUGED, 0, 0, Mark.ABOVE_GAUGED]
    up = discharge_record(_hours(1), np.array([0.25]), [_rating(shifts=_shifts((0, np.nan, 0.1)))])
    assert up.marks[0] == 0


def test_ice_marks_a_half_open_span_and_changes_no_number():
    """Ice from hour 1 to hour 3 marks hours 1 and 2; backwater over hour 2 adds its own mark."""
    hour = DAY // 24
    spans = Spans(
        np.array([hour, 2 * hour]), np.array([3 * hour, 3 * hour]), np.array([Mark.ICE, Mark.BACKWATER], dtype=np.uint8)
    )
    with_ice = discharge_record(_hours(5), np.full(5, 1.0), [_rating()], 0.0, spans)
    assert with_ice.marks.tolist() == [0, Mark.ICE, Mark.ICE | Mark.BACKWATER, 0, 0]
    without = discharge_record(_hours(5), np.full(5, 1.0), [_rating()])
    np.testing.assert_array_equal(without.discharge_m3_s, with_ice.discharge_m3_s)


def test_before_the_first_rating_there_is_no_discharge():
    """No rating holds yet: missing, marked, no number."""
    record = discharge_record(_hours(3), np.full(3, 1.0), [_rating(since=DAY // 24)])
    assert np.isnan(record.discharge_m3_s[0])
    assert record.marks.tolist() == [Mark.NO_RATING, 0, 0]
    assert record.rating.tolist() == [-1, 0, 0]
    assert np.isnan(discharge_record(_hours(2), np.ones(2), []).discharge_m3_s).all()


def test_each_moment_has_its_own_rating():
    """A rating holds from its moment on, to the microsecond."""
    ratings = [_rating(), _rating(TWO, since=2 * DAY // 24)]
    stage = np.full(4, 2.2)
    record = discharge_record(_hours(4), stage, ratings)
    np.testing.assert_allclose([16.0, 16.0, 36.0, 36.0], record.discharge_m3_s)
    assert spans_of_ratings(ratings)[0] == (0, 2 * DAY // 24)
    with pytest.raises(ValueError, match="each later than the one before"):
        spans_of_ratings(ratings[::-1])


def _long(seed=5, count=5_000):
    rng = np.random.default_rng(seed)
    time = np.arange(count) * QUARTER
    stage = np.round(0.9 + 0.7 * np.sin(np.arange(count) / 300) + rng.normal(0, 0.01, count), 3)
    stage[rng.random(count) < 0.01] = np.nan
    third = int(time[count // 3])
    shifts = _shifts((5 * DAY, 0.5, 0.05), (5 * DAY, 1.0, 0.0), (9 * DAY, np.nan, -0.02), u=0.01)
    ratings = [_rating(THREE, relative=0.02, shifts=shifts), _rating(TWO, since=third, relative=0.03)]
    ice = Spans(np.array([3 * DAY]), np.array([20 * DAY]), np.array([Mark.ICE], dtype=np.uint8))
    return time, stage, ratings, ice


FIELDS = ("shift_m", "discharge_m3_s", "uncertainty_m3_s", "marks", "rating")


@given(st.integers(0, 5_000))
def test_a_split_record_is_the_whole_record(cut):
    """Computing two spans one by one gives what computing both at once does, bit for bit."""
    time, stage, ratings, ice = _long()
    whole = discharge_record(time, stage, ratings, 0.01, ice)
    parts = [discharge_record(time[s], stage[s], ratings, 0.01, ice) for s in (slice(cut), slice(cut, None))]
    for name in FIELDS:
        np.testing.assert_array_equal(getattr(whole, name), np.concatenate([getattr(p, name) for p in parts]))


def test_a_change_of_rating_is_computed_only_where_it_applies():
    """Recomputing the span of a changed rating gives the record computed anew; the old one is left alone."""
    time, stage, ratings, ice = _long()
    before = discharge_record(time, stage, ratings, 0.01, ice)
    kept = {name: getattr(before, name).copy() for name in FIELDS}
    changed = [ratings[0], replace(ratings[1], curve=PARABOLA)]
    after = recompute(before, changed, 0.01, ice, spans_of_ratings(changed)[1])
    anew = discharge_record(time, stage, changed, 0.01, ice)
    first = int(np.searchsorted(time, ratings[1].valid_from_us))
    for name in FIELDS:
        np.testing.assert_array_equal(getattr(anew, name), getattr(after, name))
        np.testing.assert_array_equal(kept[name], getattr(before, name))
    assert (after.discharge_m3_s[first:] != before.discharge_m3_s[first:]).any()
    nothing = recompute(before, changed, 0.01, ice, (DAY, DAY))
    np.testing.assert_array_equal(before.discharge_m3_s, nothing.discharge_m3_s)


@given(st.integers(-(10**9), 10**9).map(lambda s: s * 1_000_000))
def test_the_origin_of_time_does_not_matter(move):
    """Moving stage, ratings, shifts and ice together in time changes no number."""
    time, stage, ratings, ice = _long(count=800)
    moved = [
        replace(
            r,
            valid_from_us=r.valid_from_us + move,
            shifts=None
            if r.shifts is None
            else Shifts(r.shifts.from_us + move, r.shifts.stage_m, r.shifts.shift_m, r.shifts.uncertainty_m),
        )
        for r in ratings
    ]
    here = discharge_record(time, stage, ratings, 0.01, ice)
    there = discharge_record(time + move, stage, moved, 0.01, Spans(ice.from_us + move, ice.to_us + move, ice.bits))
    np.testing.assert_array_equal(here.discharge_m3_s, there.discharge_m3_s)
    np.testing.assert_array_equal(here.marks, there.marks)


@given(st.floats(0.01, 100))
def test_uncertainty_scales_with_the_rating(factor):
    """A rating of k times the coefficient gives k times discharge and uncertainty."""
    time, stage, ratings, _ = _long(count=500)
    scaled = [replace(r, curve=replace(r.curve, coefficient=factor * r.curve.coefficient)) for r in ratings]
    one, other = discharge_record(time, stage, ratings, 0.01), discharge_record(time, stage, scaled, 0.01)
    np.testing.assert_allclose(factor * one.discharge_m3_s, other.discharge_m3_s, rtol=1e-12)
    np.testing.assert_allclose(factor * one.uncertainty_m3_s, other.uncertainty_m3_s, rtol=1e-12)


@pytest.mark.parametrize("stage", [[], [np.nan], [1.0], [np.nan] * 5])
def test_bad_stage_gives_no_number_and_no_warning(stage):
    """Empty, missing or single stage comes back with the same length."""
    stage = np.array(stage, dtype=np.float64)
    record = discharge_record(
        _hours(stage.size), stage, [_rating(THREE, shifts=_shifts((0, 1.0, 0.1), (0, 2.0, 0.2)))], 0.01
    )
    np.testing.assert_array_equal(np.isnan(stage), np.isnan(record.discharge_m3_s))
    np.testing.assert_array_equal(np.isnan(stage), np.isnan(record.uncertainty_m3_s))


def test_times_going_back_are_refused_in_words():
    """The value is named, and what to do."""
    with pytest.raises(ValueError, match="at value 2; put them in order first"):
        discharge_record(np.array([0, 10, 5]), np.ones(3), [_rating()])
    with pytest.raises(ValueError, match="one stage"):
        discharge_record(np.array([0, 10, 15]), np.ones(2), [_rating()])


@given(st.lists(st.integers(0, 50), min_size=1, max_size=8, unique=True), st.lists(st.floats(-5, 60), max_size=10))
def test_a_table_is_linear_interpolation_however_spaced(points, asked):
    """Evenly spaced or not, a table gives what plain interpolation does, held beyond its ends."""
    at = np.array(sorted(points), dtype=np.float64)
    for grid in (at, np.linspace(0.0, 50.0, at.size + 1)):
        value = np.cos(grid)
        x = np.array([*asked, np.nan])
        np.testing.assert_allclose(np.interp(x, grid, value), Table(grid, value)(x), atol=1e-12)


def test_a_table_that_does_not_rise_is_refused():
    """Points must rise, and there must be some."""
    for at in ([1.0, 1.0], []):
        with pytest.raises(ValueError, match="points that rise"):
            Table(np.array(at), np.zeros(len(at)))


def test_times_may_stand_still_and_not_go_back():
    """Two values of one moment are computed both; one before the last is refused with its place."""
    rating = [_rating()]
    assert len(discharge_record(np.array([0, DAY, DAY]), np.ones(3), rating).discharge_m3_s) == 3
    with pytest.raises(ValueError, match="found one that does at value 2"):
        discharge_record(np.array([0, DAY, DAY - 1]), np.ones(3), rating)


def test_a_shift_by_stage_lies_between_its_four_corners():
    """Of ``s = 0.1 (t + 1)(h - 1)^2`` at 0 and 10 s and at 1, 2, 4 and 5 m: linear in time and between the stages."""
    moments, stages = np.array([0, 10]), np.array([1.0, 2.0, 4.0, 5.0])
    t, h = (part.ravel() for part in np.meshgrid(moments, stages, indexing="ij"))
    shifts = Shifts(t * 1_000_000, h, 0.1 * (t + 1) * (h - 1) ** 2, 0.01 * h)
    asked, stage = np.array([0, 5, 5, 10, 2]), np.array([1.5, 3.0, 4.25, 9.0, 0.5])
    shift, unsure, held = shifts.at(asked * 1_000_000, stage)
    by_stage = np.array([0.5, (1 + 9) / 2, 9 + 7 / 4, 16.0, 0.0])
    np.testing.assert_allclose(shift, 0.1 * (asked + 1) * by_stage, atol=1e-12)
    np.testing.assert_allclose(unsure, 0.01 * np.clip(stage, 1, 5), atol=1e-12)
    assert not held.any()


@pytest.mark.parametrize("covariance", [None, json.dumps([[float("nan")] * 3] * 3)])
def test_a_rating_whose_covariance_says_nothing_is_as_unsure_as_the_office_says(covariance):
    """Without one, or where no stage gets a number from it, 4 % hold at every stage; with one, its own hold."""
    rows = rows_of(Curve(np.array([0.2]), np.array([8.0]), np.array([0.2]), np.array([2.0])))
    at = np.array([0.3, 9.0])
    assert _uncertainty(curve_of(rows, covariance), 3.0, 0.04)(at).tolist() == [0.04, 0.04]
    only_c = json.dumps(np.diag([0.03**2, 0.0, 0.0]).tolist())
    np.testing.assert_allclose(_uncertainty(curve_of(rows, only_c), 3.0, 0.04)(at), 0.03)


def test_points_a_little_uneven_are_taken_where_they_stand():
    """0.001 m and 0.0010005 m apart: the middle point has its own value."""
    at = np.array([0.0, 0.001, 0.0020005])
    assert Table(at, np.array([0.0, 1.0, 0.0]))(at).tolist() == pytest.approx([0.0, 1.0, 0.0], abs=1e-9)
