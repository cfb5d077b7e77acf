"""Which readings serve a gauging, and what their mean is."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.gauging.gauge_height import _on_line
from tests.making import computed, gaugings, points


def _at(clock, height, **said):
    return {"read_at": f"2025-05-01T{clock}Z", "gauge_height_m": height} | said


def _height(readings, **said):
    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        {"position_m": 1.0, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 1.0},
        {"position_m": 2.0, "depth_m": 0.0, "kind": "edge"},
    ]
    return computed(points(rows), gaugings(**said), heights=readings).results.iloc[0]


def test_readings_before_and_after_are_interpolated_to_start_and_end():
    """Readings a quarter of an hour outside a steady rise give its mid value and its change."""
    made = _height([_at("09:45", 1.00), _at("11:15", 1.90)])
    assert made["gauge_height_time_m"] == pytest.approx(1.45)
    assert made["gauge_height_change_m"] == pytest.approx(0.60)
    assert made["gauge_height_held_s"] == 0


def test_a_value_is_held_where_no_reading_lies_beyond():
    """Between 10:15 and 11:00 the last reading stands, and the time it was held is said."""
    made = _height([_at("10:00", 1.0), _at("10:15", 2.0)])
    assert made["gauge_height_time_m"] == pytest.approx((1.5 * 15 + 2.0 * 45) / 60)
    assert made["gauge_height_held_s"] == 45 * 60


def test_one_reading_is_held_throughout():
    """One reading is the mean, without a change."""
    made = _height([_at("10:20", 1.3)])
    assert made["gauge_height_m"] == 1.3
    assert made["gauge_height_readings"] == 1
    assert made["gauge_height_change_m"] == 0


def test_no_reading_is_missing_not_zero():
    """Without a reading near the gauging there is no gauge height."""
    made = _height([_at("06:00", 1.3)])
    assert np.isnan(made["gauge_height_m"])
    assert made["gauge_height_readings"] == 0


def test_the_reference_gauge_goes_before_any_other():
    """One gauge serves: the reference gauge, else the one read most often."""
    recorder = [_at(f"10:{m:02d}", 5.0, gauge="recorder") for m in (0, 20, 40)]
    assert _height([*recorder, _at("10:30", 1.0)])["gauge_height_m"] == 1.0
    made = _height([*recorder, _at("10:30", 3.0, gauge="tape")])
    assert made["gauge_height_m"] == 5.0
    assert not made["gauge_height_reference"]
    assert made["gauge_height_gauge"] == "recorder"


def test_a_reading_handed_in_for_the_gauging_serves_from_afar():
    """A reading that names the gauging serves even outside the usual window; another site's never does."""
    assert _height([_at("08:00", 1.3, gauging="G1")])["gauge_height_m"] == 1.3
    assert np.isnan(_height([_at("10:10", 1.3, gauging="G1", site="S2")])["gauge_height_m"])


def test_a_gauging_without_length_takes_the_reading_at_its_moment():
    """Where start and end are the same the interpolated reading is the mean."""
    made = _height([_at("09:50", 1.0), _at("10:10", 2.0)], ended_at="2025-05-01T10:00Z")
    assert made["gauge_height_m"] == pytest.approx(1.5)


def test_neighbouring_gaugings_do_not_lend_each_other_readings():
    """In a batch each gauging has its own readings only."""
    heights = [_at("09:55", 1.0), _at("11:05", 1.0)]
    both = gaugings(2)
    both.loc[1, "site"] = "S2"
    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        {"position_m": 1.0, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 1.0},
        {"position_m": 2.0, "depth_m": 0.0, "kind": "edge"},
    ]
    made = computed(points(rows, 1), both, heights=heights).results
    assert made["gauge_height_m"].iloc[0] == 1.0
    assert np.isnan(made["gauge_height_m"].iloc[1])


def test_a_reading_at_the_very_start_or_end_needs_none_beyond_it():
    """Readings at start and end bound a gauging; those further out do not serve, a moment inside they do."""
    outer, inner = [_at("09:50", 0.5), _at("11:10", 2.5)], [_at("10:00", 1.0), _at("11:00", 2.0)]
    assert _height([*outer, *inner])["gauge_height_readings"] == 2
    late = [_at("10:01", 1.0), _at("10:59", 2.0)]
    assert _height([*outer, *late])["gauge_height_readings"] == 4
    assert _height([*outer, *inner])["gauge_height_time_m"] == pytest.approx(1.5)


def test_of_readings_in_a_row_those_near_the_gauging_serve():
    """After two readings hours before, those at its start and its end stand: 2.5 m on the line between them."""
    made = _height([_at("05:00", 9.0), _at("06:00", 8.0), _at("10:00", 2.0), _at("11:00", 3.0), _at("15:00", 7.0)])
    assert made["gauge_height_readings"] == 2
    assert made["gauge_height_time_m"] == pytest.approx(2.5)


def test_a_gauging_of_a_second_has_the_mean_of_that_second():
    """From 2 m to 3 m, on a rise of 1 m a second: 2.5 m."""
    made = _height([_at("09:59:58", 0.0), _at("10:00:02", 4.0)], ended_at="2025-05-01T10:00:01Z")
    assert made["gauge_height_time_m"] == pytest.approx(2.5)


def test_a_line_of_one_reading_is_that_reading_throughout():
    """Of the last gauging of a batch too: 3 m before and after it, beside a line from 1 to 2 m."""
    line = np.array([0, 0, 1]), np.array([0.0, 10.0, 5.0]), np.array([1.0, 2.0, 3.0])
    assert _on_line(*line, np.array([0, 0, 1, 1]), np.array([5.0, 20.0, 0.0, 9.0])).tolist() == [1.5, 2.0, 3.0, 3.0]


def test_the_stage_of_each_panel_is_that_of_the_time_it_was_read_at():
    """1 m3/s at a quarter past and 3 m3/s at a quarter to, from 1 to 2 m: (1 * 1.25 + 3 * 1.75)/4 = 1.625 m."""
    plain = {"depth_m": 1.0, "relative_depth": 0.6}
    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        plain | {"position_m": 1.0, "velocity_m_s": 1.0, "read_at": "2025-05-01T10:15Z"},
        plain | {"position_m": 2.0, "velocity_m_s": 3.0, "read_at": "2025-05-01T10:45Z"},
        {"position_m": 3.0, "depth_m": 0.0, "kind": "edge"},
    ]
    made = computed(points(rows), gaugings(), heights=[_at("10:00", 1.0), _at("11:00", 2.0)]).results.iloc[0]
    assert made["gauge_height_discharge_m"] == pytest.approx(1.625)
