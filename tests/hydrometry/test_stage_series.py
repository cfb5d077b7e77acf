"""Doubts about a recorded stage series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from stillwell.hydrometry.stage.check_series import check_series, ordered
from stillwell.hydrometry.stage.check_times import as_recorded, interleaved, intervals, same_times, with_holes_filled
from stillwell.hydrometry.stage.check_values import flat_lines, resolution_changes, spikes
from stillwell.hydrometry.stage.flags import SeriesLimits, StageMark, usual_interval

QUARTER = 900_000_000


def _series(count=400, seed=3):
    """Invent a sound series: a slow wave with the noise of a sensor, read to a millimetre every quarter of an hour."""
    rng = np.random.default_rng(seed)
    rows = np.arange(count)
    return rows * QUARTER, np.round(1 + 0.2 * np.sin(rows / 60) + rng.normal(0, 0.002, count), 3)


def _codes(checked):
    return sorted(set(checked.spans["code"]))


def test_a_sound_series_raises_no_doubt():
    """Nothing is found where nothing is wrong."""
    checked = check_series(*_series())
    assert not checked.marks.any()
    assert checked.spans.empty


def test_a_value_handed_in_twice_is_repeated_and_another_value_contradicts():
    """The same value again is a repetition; another value at that time makes both contradicted, and neither is used."""
    time, stage = _series()
    time, stage = np.r_[time, time[10], time[20]], np.r_[stage, stage[10], stage[20] + 0.5]
    checked = check_series(time, stage)
    spans = checked.spans.set_index("code")
    assert spans.loc["time-repeated", "from_us"] == time[10]
    assert spans.loc["time-contradicted", "value"] == pytest.approx(0.5)
    assert np.flatnonzero(checked.marks & StageMark.REPEATED).tolist() == [400]
    assert np.flatnonzero(checked.marks & StageMark.CONTRADICTED).tolist() == [20, 401]
    in_order, values = ordered(time, stage, checked)
    np.testing.assert_array_equal(np.unique(time), in_order)
    assert np.flatnonzero(np.isnan(values)).tolist() == [20]


def test_a_missing_value_beside_a_known_one_is_the_repetition():
    """Of a known and a missing value at one time the known one is used, whichever comes first."""
    for values in ([np.nan, 1.0], [1.0, np.nan]):
        time, stage = np.array([5, 5]), np.array(values)
        checked = check_series(time, stage)
        assert checked.marks[stage == 1.0] == 0
        assert ordered(time, stage, checked)[1].tolist() == [1.0]


def test_a_clock_set_back_goes_back_once():
    """A clock set back by an hour says so with 3,600 s less the interval, and its rows are marked."""
    time, stage = _series()
    late = time.copy()
    late[200:] -= 3_600_000_000 + 60_000_000
    checked = check_series(late, stage)
    back = checked.spans[checked.spans["code"] == "time-back"]
    assert back["value"].tolist() == [3_660 - 900]
    assert np.flatnonzero(checked.marks & StageMark.TIME_BACK).tolist() == [200, 201, 202, 203]


def test_a_clock_step_is_a_lasting_change_of_the_minute():
    """A clock put forward by four minutes reads every quarter of an hour as before, but four minutes later."""
    time, stage = _series()
    time[200:] += 240_000_000
    checked = check_series(time, stage)
    span = checked.spans.iloc[0]
    assert _codes(checked) == ["clock-step"]
    assert span["value"] == pytest.approx(240)
    assert span["from_us"] == time[200]


def test_an_extra_reading_is_no_clock_step():
    """One reading between two others leaves the beat as it was."""
    time, stage = _series()
    time, stage = np.insert(time, 200, time[200] - 400_000_000), np.insert(stage, 200, stage[200])
    assert "clock-step" not in _codes(check_series(time, stage))


def test_a_change_of_interval_is_told_with_the_new_one():
    """From quarters of an hour to hours: one change, to 3,600 s, and no gap."""
    time, stage = _series()
    time = np.r_[time[:200], time[199] + 4 * QUARTER * np.arange(1, 201)]
    checked = check_series(time, stage)
    assert _codes(checked) == ["interval-changed"]
    assert checked.spans["value"].tolist() == [3_600]


def test_a_gap_is_told_with_its_length():
    """Sixteen values that are not there are a gap of four and a quarter hours; missing values count the same."""
    time, stage = _series()
    absent = np.delete(np.arange(400), np.arange(100, 116))
    missing = stage.copy()
    missing[100:116] = np.nan
    for t, v in ((time[absent], stage[absent]), (time, missing)):
        gap = check_series(t, v).spans
        assert gap["code"].tolist() == ["gap"]
        assert gap["value"].tolist() == [4.25]


@pytest.mark.parametrize("width", [1, 2, 3])
@pytest.mark.parametrize("height", [0.8, -0.8])
def test_a_spike_is_found_and_only_it_is_marked(width, height):
    """One to three values that leave the series and come back are one spike of their height."""
    time, stage = _series()
    stage[150 : 150 + width] += height
    checked = check_series(time, stage)
    assert checked.spans["code"].tolist() == ["spike"]
    assert checked.spans["value"].iloc[0] == pytest.approx(height, abs=0.02)
    np.testing.assert_array_equal(np.arange(150, 150 + width), np.flatnonzero(checked.marks))


def test_a_flood_that_rises_at_once_is_no_spike():
    """A step that stays is no spike, however steep."""
    time, stage = _series()
    stage[200:] += 2.0
    assert "spike" not in _codes(check_series(time, stage))


def test_a_flat_line_is_found_against_the_habit_of_the_series():
    """A stuck sensor is doubted; the same stretch in a series read to a decimetre is its habit."""
    time, stage = _series(2_000)
    stage[500:800] = stage[500]
    flat = check_series(time, stage).spans
    assert flat["code"].tolist() == ["flat-line"]
    assert flat["value"].iloc[0] == pytest.approx(299 / 4, abs=0.51)
    steps = np.repeat(np.arange(20.0), 250)
    assert flat_lines(np.arange(steps.size) * QUARTER, steps, 172_800.0, 2_592_000.0, 5.0, 1_000.0).empty


def test_resolution_is_found_with_the_value_that_first_needs_it():
    """Values read to 0.1 m, then to 0.01 m: the change is at the first value that is no decimetre, within one value."""
    wave = 1 + np.sin(np.arange(4_000) / 50)
    stage = np.r_[np.round(wave[:2_000], 1), np.round(wave[2_000:], 2)]
    found = resolution_changes(stage)
    assert found["step_m"].tolist() == [0.1, 0.01]
    first = int(np.flatnonzero(np.abs(stage * 10 - np.round(stage * 10)) > 1e-6)[0])
    assert first == found["first"].iloc[1]


def test_two_loggers_over_the_same_days_are_told_with_their_difference():
    """A second logger handed in behind the first, reading 0.03 m higher between its times, overlaps by that."""
    time, stage = _series()
    both, level = (
        np.r_[time, time[100:300] + QUARTER // 2],
        np.r_[stage, np.interp(np.arange(100, 300) + 0.5, np.arange(400), stage) + 0.03],
    )
    checked = check_series(both, level)
    assert _codes(checked) == ["loggers-overlap"]
    assert checked.spans["value"].iloc[0] == pytest.approx(0.03, abs=0.0005)
    assert (checked.marks[400:] & StageMark.LOGGERS_OVERLAP).all()
    assert not checked.marks[:400].any()


def test_two_loggers_merged_by_time_are_told_with_their_difference():
    """Every value followed five minutes later by one of another logger, 0.03 m higher: they overlap by that."""
    time, stage = _series()
    both = np.r_[time, time + QUARTER // 3]
    order = np.argsort(both)
    level = np.r_[stage, np.interp(np.arange(400) + 1 / 3, np.arange(400), stage) + 0.03]
    checked = check_series(both[order], level[order])
    assert _codes(checked) == ["loggers-overlap"]
    assert checked.spans["value"].iloc[0] == pytest.approx(0.03, abs=0.001)
    assert checked.spans["rows"].iloc[0] >= 790


def test_an_hour_back_is_a_clock_whatever_the_interval():
    """Sixty values of a minute over an hour already covered are a clock set back, not another logger."""
    time = np.arange(2_000) * 60_000_000
    time[1_000:] -= 3_600_000_000
    stage = np.round(1 + 0.2 * np.sin(np.arange(2_000) / 300), 3)
    checked = check_series(time, stage)
    assert "loggers-overlap" not in _codes(checked)
    assert (checked.spans["code"] == "time-back").sum() == 1


def test_a_short_spell_of_another_interval_is_no_gap():
    """Twenty hourly values among quarters of an hour make two changes and no gap; a lone value hides no hole."""
    time, stage = _series()
    steps = np.full(399, QUARTER)
    steps[100:120] = 4 * QUARTER
    assert check_series(np.r_[0, np.cumsum(steps)], stage).spans["code"].tolist() == ["interval-changed"] * 2
    hole = np.delete(np.arange(400), np.r_[100:110, 111:121])
    assert check_series(time[hole], stage[hole]).spans["value"].tolist() == [2.75, 2.75]


BAD = {
    "empty": ([], []),
    "one value": ([5], [1.0]),
    "one missing": ([5], [np.nan]),
    "all missing": ([1, 2, 3], [np.nan] * 3),
    "all at one time": ([7, 7, 7], [1.0, 2.0, 1.0]),
    "times back": ([3, 2, 1], [1.0, 2.0, 3.0]),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_series_are_answered_without_a_warning(name):
    """Whatever is handed in comes back with one mark per value, and nothing warns."""
    time, stage = (np.array(v, dtype=d) for v, d in zip(BAD[name], (np.int64, np.float64), strict=True))
    checked = check_series(time, stage)
    assert checked.marks.shape == time.shape
    assert ordered(time, stage, checked)[0].tolist() == sorted(set(time.tolist()))


@given(
    hnp.arrays(np.int64, 40, elements=st.integers(0, 60)).map(lambda t: t * QUARTER),
    hnp.arrays(np.float64, 40, elements=st.one_of(st.just(np.nan), st.integers(-9, 9).map(lambda v: v / 4))),
    st.integers(-(10**6), 10**6).map(lambda k: k * 1_000_000),
)
def test_doubts_do_not_depend_on_the_origin_of_time_and_touch_nothing(time, stage, shift):
    """Any mess of times and values is marked alike when all its times move together; the values stay as they were."""
    kept = stage.copy()
    limits = SeriesLimits(steady=3, overlap_s=1_800.0)
    here, there = check_series(time, stage, limits), check_series(time + shift, stage, limits)
    np.testing.assert_array_equal(here.marks, there.marks)
    np.testing.assert_array_equal(here.spans["value"], there.spans["value"])
    np.testing.assert_array_equal(here.spans["from_us"] + shift, there.spans["from_us"])
    np.testing.assert_array_equal(kept, stage)


def test_spikes_of_a_short_series_ask_for_neighbours():
    """Two values have no neighbours on both sides."""
    assert spikes(np.array([0, 1]), np.array([0.0, 9.0]), 0.1, 5.0, 3, 10.0).empty


def test_one_value_has_no_step_of_its_own():
    """A single value is one stretch, of a resolution nobody can tell."""
    found = resolution_changes(np.array([1.25]))
    assert found[["first", "last"]].to_numpy().tolist() == [[0, 0]]
    assert np.isnan(found["step_m"].iloc[0])


def test_times_of_one_value_are_neither_repeated_nor_contradicted():
    """Among ten times one is handed in three times alike and one twice unlike: two spans, of two values and 0.5 m."""
    time = np.r_[np.arange(10), 4, 4, 7] * QUARTER
    stage = np.r_[np.full(10, 1.0), 1.0, 1.0, 1.5]
    marks = np.zeros(13, dtype=np.uint16)
    found = same_times(time, stage, np.argsort(time, kind="stable"), marks)
    told = found[["code", "from_us", "value"]].to_numpy().tolist()
    assert told == [["time-repeated", 4 * QUARTER, 2.0], ["time-contradicted", 7 * QUARTER, 0.5]]
    assert np.flatnonzero(marks & StageMark.REPEATED).tolist() == [10, 11]
    assert np.flatnonzero(marks & StageMark.CONTRADICTED).tolist() == [7, 12]


def test_spans_of_time_are_numbered_from_0():
    """A change of interval and a later step of the clock are rows 0 and 1, with the new interval and the step in s."""
    steps = np.r_[np.full(100, 4 * QUARTER), np.full(200, QUARTER)]
    steps[200] += 240_000_000
    time = np.r_[0, np.cumsum(steps)]
    found = intervals(time, np.arange(time.size), np.zeros(time.size, dtype=np.uint16), SeriesLimits())
    assert found.index.tolist() == [0, 1]
    assert found["code"].tolist() == ["interval-changed", "clock-step"]
    np.testing.assert_allclose([900.0, 240.0], found["value"])
    assert found["from_us"].tolist() == [time[100], time[201]]


def test_times_that_go_back_are_numbered_from_0():
    """An hour back is a clock, two hundred values from long ago another logger 0.5 m higher: rows 0 and 1."""
    time = np.r_[np.arange(400), np.arange(396, 800), np.arange(100, 300) + 0.5] * QUARTER
    stage = np.r_[np.full(804, 1.0), np.full(200, 1.5)]
    found = as_recorded(time.astype(np.int64), stage, np.zeros(time.size, dtype=np.uint16), SeriesLimits())
    assert found.index.tolist() == [0, 1]
    assert found["code"].tolist() == ["time-back", "loggers-overlap"]
    np.testing.assert_allclose([3 * 900.0, 0.5], found["value"])


@pytest.mark.parametrize(("interval_s", "moved_s", "told"), [
    (60, 11, False), (60, 13, True), (60, -11, False), (60, -13, True), (3_600, 119, False), (3_600, 122, True),
])  # fmt: skip
def test_a_step_of_the_clock_is_doubted_beyond_a_fifth_of_the_interval_or_two_minutes(interval_s, moved_s, told):
    """Of a minute a fifth is 12 s; of an hour two minutes are less than a fifth, and are the limit."""
    steps = np.full(199, interval_s * 1_000_000)
    steps[100] += moved_s * 1_000_000
    found = check_series(np.r_[0, np.cumsum(steps)], np.arange(200) / 1_000, SeriesLimits(clock_s=120.0)).spans
    assert found.loc[found["code"] == "clock-step", "value"].tolist() == ([pytest.approx(moved_s)] if told else [])


def test_just_the_values_between_steps_that_alternate_are_doubted():
    """A second logger 5 minutes behind the first from value 100 to 140 of it: nothing before the first of the pair
    and nothing after the value that ends the last alternating step.
    """
    time = _series()[0]
    both = np.sort(np.r_[time, time[100:141] + QUARTER // 3])
    checked = check_series(both, np.round(1 + both / QUARTER / 1000, 3))
    doubted = both[(checked.marks & StageMark.LOGGERS_OVERLAP) > 0]
    np.testing.assert_array_equal(doubted, both[(both >= time[100]) & (both <= time[141])])


def test_no_value_belongs_to_two_spikes():
    """1.0 and 0.2 among zeros: the first is a spike alone, and both together would be one of two values."""
    stage = np.r_[np.zeros(10), 1.0, 0.2, np.zeros(10)]
    found = spikes(np.arange(22) * QUARTER, stage, 0.1, 0.0, 3, 3_600.0)
    assert found.to_dict("list") == {"first": [10], "last": [10], "height_m": [pytest.approx(0.9)]}
    plain = np.r_[np.zeros(10), 1.0, 0.6, np.zeros(10)]
    both = spikes(np.arange(22) * QUARTER, plain, 0.1, 0.0, 3, 3_600.0)
    assert both[["first", "last"]].to_numpy().tolist() == [[10, 11]]


@pytest.mark.parametrize(("count", "told"), [(11, 0), (12, 2), (13, 2)])
def test_twelve_equal_intervals_make_one_of_the_series(count, told):
    """Quarters of an hour among hours change the interval there and back from the twelfth on."""
    steps = np.r_[np.full(100, 4 * QUARTER), np.full(count, QUARTER), np.full(100, 4 * QUARTER)]
    time = np.r_[0, np.cumsum(steps)]
    found = intervals(time, np.arange(time.size), np.zeros(time.size, dtype=np.uint16), SeriesLimits())
    assert (found["code"] == "interval-changed").sum() == told


@pytest.mark.parametrize(("apart_s", "told"), [(5, False), (7, True), (-7, True)])
def test_steps_alternate_beyond_a_fifth_of_the_interval(apart_s, told):
    """Of steps of 30 s on average a fifth is 6 s: by 5 s they do not alternate, by 7 s they do."""
    steps = np.tile([30_000_000 - 500_000 * apart_s, 30_000_000 + 500_000 * apart_s], 60)
    time = np.r_[0, np.cumsum(steps)]
    marks = np.zeros(121, dtype=np.uint16)
    found = interleaved(time, np.ones(121), np.arange(121), marks, SeriesLimits())
    assert (len(found), marks.all()) == (int(told), told)


def test_windows_of_two_values_tell_no_resolution():
    """A stage that goes to and fro between 1.0 and 1.1 m need not be read to a decimetre; later values tell."""
    fine = 1 + np.round(0.01 * np.sin(np.arange(1_000)), 3)
    found = resolution_changes(np.r_[np.tile([1.0, 1.1], 250), fine])
    assert found[["first", "last", "step_m"]].to_numpy().tolist() == [[0, 1499, 0.001]]


def test_two_times_make_an_interval():
    """Of two the one between them, of fewer none."""
    assert usual_interval(np.array([0, QUARTER])) == 900.0
    assert np.isnan(usual_interval(np.array([0])))


@pytest.mark.parametrize(("width", "told"), [(1, True), (3, True), (4, False)])
def test_up_to_three_values_beside_the_series_are_a_spike(width, told):
    """Half a metre out and back within three values; four are no spike."""
    time, stage = _series()
    stage[200 : 200 + width] += 0.5
    checked = check_series(time, stage)
    assert ("spike" in _codes(checked)) == told
    assert np.flatnonzero(checked.marks & StageMark.SPIKE).tolist() == (list(range(200, 200 + width)) if told else [])


HOUR_US = 3_600_000_000


def _hourly(hours):
    return np.asarray(hours, dtype=np.int64) * HOUR_US


def test_a_later_part_that_fills_a_hole_stands_in_the_hole():
    """Hours 3 to 5 handed in after hours 0-2 and 6-8 come between them; what was there keeps its order."""
    time, part = _hourly([0, 1, 2, 6, 7, 8, 3, 4, 5, 9]), np.array([0] * 6 + [1] * 4)
    order = with_holes_filled(time, part, SeriesLimits())
    assert (time[order] // HOUR_US).tolist() == list(range(10))
    stage = np.linspace(0.5, 0.8, 10)
    checked = check_series(time[order], stage, part=part[order])
    assert "time-back" not in set(checked.spans["code"])
    assert "time-back" in set(check_series(time, stage).spans["code"])


def test_parts_handed_in_from_the_last_to_the_first_come_out_in_order():
    """Ten days, each a part, in reverse: every one stands before what was there."""
    days = np.arange(240).reshape(10, 24)[::-1]
    time, part = _hourly(days.ravel()), np.repeat(np.arange(10), 24)
    assert (time[with_holes_filled(time, part, SeriesLimits())] // HOUR_US).tolist() == list(range(240))


@pytest.mark.parametrize(("missing", "fills"), [(1, True), (0, False)])
def test_a_hole_is_more_than_one_and_a_half_intervals_wide(missing, fills):
    """A value halfway fills where an hourly value is missing, and none where both neighbours stand."""
    hours = [0, 1, 2, 3, 4 + missing, 5 + missing, 6 + missing]
    time = np.r_[_hourly(hours), np.int64((3.5 + missing / 2) * HOUR_US)]
    order = with_holes_filled(time, np.array([0] * 7 + [1]), SeriesLimits())
    assert (order[-1] != 7) == fills


def test_a_clock_set_back_within_its_own_part_is_doubted_beside_a_hole():
    """A part that goes on past the end and then back into a hole of the part before has a clock that was set back."""
    time, part = _hourly([0, 1, 2, 6, 7, 8, 9, 10, 3, 4]), np.array([0] * 6 + [1] * 4)
    order = with_holes_filled(time, part, SeriesLimits())
    assert order.tolist() == list(range(10))
    spans = check_series(time, np.zeros(10), part=part).spans
    assert spans.loc[spans["code"] == "time-back", "value"].tolist() == [7 * 3600.0]


def test_a_later_part_between_the_values_there_were_is_another_logger():
    """Quarter hours 2.8 m above an hourly series, of less than a day: two loggers, 2.8 m apart, and no clock."""
    quarters = np.array([h + q for h in range(5, 15) for q in (0.25, 0.5, 0.75)])
    time = np.r_[_hourly(range(48)), (quarters * HOUR_US).astype(np.int64)]
    stage, part = np.r_[np.full(48, 0.4), np.full(30, 3.2)], np.r_[np.zeros(48, np.int64), np.ones(30, np.int64)]
    spans = check_series(time, stage, part=part).spans
    assert "time-back" not in set(spans["code"])
    assert spans.loc[spans["code"] == "loggers-overlap", "value"].tolist() == pytest.approx([2.8])


@pytest.mark.parametrize(("factor", "told"), [(9.9, False), (10.1, True)])
def test_a_spike_leaves_the_series_by_ten_times_its_usual_step(factor, told):
    """Of steps of 0.02 m the robust scale is 1.4826 * 0.02 m; ten times that is 0.2965 m, more than a tenth of 1 m."""
    stage = 1 + 0.02 * (np.arange(60) % 2)
    stage[30] = 1.02 + factor * 1.4826 * 0.02
    checked = check_series(np.arange(60) * QUARTER, stage)
    assert ("spike" in _codes(checked)) == told


def test_the_first_value_after_a_clock_step_is_marked():
    """And no other."""
    time, stage = _series()
    time[200:] += 240_000_000
    assert np.flatnonzero(check_series(time, stage).marks & StageMark.CLOCK_STEP).tolist() == [200]


def test_a_spike_is_seen_at_the_longer_of_two_intervals():
    """A value every quarter of an hour, then every hour: one that stands out there has near neighbours all the same."""
    stage = 1 + 0.01 * (np.arange(80) % 2)
    stage[60] = 2.0
    checked = check_series(np.cumsum(np.r_[[1] * 50, [4] * 30]) * QUARTER, stage)
    assert _codes(checked) == ["interval-changed", "spike"]


def test_of_no_values_none_is_flat():
    """As of a series without a known value."""
    none = np.zeros(0)
    assert flat_lines(none.astype(np.int64), none, 3600.0, 7200.0, 5.0, 60.0).empty
