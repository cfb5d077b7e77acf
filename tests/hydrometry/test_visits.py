"""The staff held against the sensors, visit by visit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.hydrometry.stage.visits import differing, serving, unit_findings, visits_of

START = pd.Timestamp("2025-05-01T00:00Z")
HOURS = pd.date_range(START, periods=49, freq="h")
NONE = pd.DataFrame({"sensor": pd.Series(dtype="str"), "start_m": [], "end_m": []}).assign(
    **{"from": HOURS[:0], "to": HOURS[:0]}
)


def stage(values, sensor=None, hours=HOURS):
    """Record stage every hour."""
    return pd.DataFrame({"time": hours, "stage_m": values, "sensor": pd.Series([sensor] * len(hours), dtype="str")})


def readings(values, at, gauge=None, source="staff"):
    """Read a gauge at some hours after the start."""
    times = START + pd.to_timedelta(list(at), unit="h")
    said = {"gauge": [gauge] * len(at), "source": [source] * len(at)}
    return pd.DataFrame(
        {"read_at": times, "gauge_height_m": values} | {k: pd.Series(v, dtype="str") for k, v in said.items()}
    )


def test_what_is_left_is_staff_less_sensor_less_correction():
    """Between two hours the sensor is read off the line; a correction from 0 to -0.04 m is half way at half time."""
    rows = stage(1 + 0.01 * np.arange(49))
    acting = pd.DataFrame(
        {"sensor": pd.Series([None], dtype="str"), "from": [START], "to": [START + pd.Timedelta(hours=40)]}
    ).assign(start_m=0.0, end_m=-0.04)
    found = visits_of(rows, readings([1.185], [20.5]), acting)
    np.testing.assert_allclose(found["sensor_m"], 1.205)
    np.testing.assert_allclose(found["difference_m"], -0.02)
    np.testing.assert_allclose(found["correction_m"], -0.04 * 20.5 / 40)
    np.testing.assert_allclose(found["left_m"], -0.02 + 0.0205)
    np.testing.assert_allclose(found["change_m"], 0.01)


def test_shifting_the_origin_of_both_changes_no_difference():
    """Gauge and sensor lifted by one height differ by what they did."""
    values, at = 1 + 0.1 * np.sin(np.arange(49)), [3, 17.25, 40]
    one = visits_of(stage(values), readings([1.0, 1.1, 1.05], at), NONE)
    other = visits_of(stage(values + 7), readings([8.0, 8.1, 8.05], at), NONE)
    np.testing.assert_allclose(one["difference_m"], other["difference_m"], atol=1e-12)


def test_the_reference_gauge_serves_and_no_sensor_does():
    """A blank name is the reference gauge; without it the gauge read most often; what a sensor gave never."""
    blank, upper, lower = readings([1.0], [1]), readings([2.0, 2.0], [2, 3], "upper"), readings([3.0], [4], "lower")
    own = readings([9.0] * 5, range(5, 10), source="sensor")
    assert serving(pd.concat([upper, blank, lower, own]))["gauge_height_m"].tolist() == [1.0]
    assert serving(pd.concat([lower, upper, own]))["gauge_height_m"].tolist() == [2.0, 2.0]
    assert serving(own).empty


def test_a_reading_in_a_gap_is_held_against_nothing():
    """Where the sensor was silent for longer than is bridged there is no row, nor without stage or readings."""
    rows = stage(np.ones(49)).drop(index=range(10, 20))
    assert visits_of(rows, readings([1.0, 1.0], [14, 30]), NONE)["read_at"].tolist() == [START + pd.Timedelta(hours=30)]
    assert visits_of(rows, readings([], []), NONE).empty
    assert visits_of(rows.iloc[:0], readings([1.0], [3]), NONE).empty


def test_each_sensor_is_held_against_the_staff_by_itself():
    """Two sensors, one a decimetre low: four rows, and the difference belongs to its sensor."""
    both = pd.concat([stage(np.ones(49), "a"), stage(np.full(49, 0.9), "b")], ignore_index=True)
    found = visits_of(both, readings([1.0, 1.0], [5, 9]), NONE)
    np.testing.assert_allclose(found.groupby("sensor")["difference_m"].mean(), [0.0, 0.1], atol=1e-12)
    assert set(differing(found, 0.02)["sensor"]) == {"b"}


def test_a_steep_rise_makes_no_comparison():
    """Where the two values around a reading lie further apart than the limit nothing is doubted."""
    rows = stage(np.arange(49) * 0.1)
    assert differing(visits_of(rows, readings([1.2], [10.5]), NONE), 0.02).empty


def test_feet_handed_in_as_metres_are_doubted():
    """1 ft = 0.3048 m: a series in feet agrees with the staff only as feet; one in metres is left alone."""
    truth, at = 1.2 + 0.3 * np.sin(np.arange(49) / 5), [2, 11, 20, 33, 45]
    read = readings([float(truth[hour]) for hour in at], at)
    doubted = unit_findings(visits_of(stage(truth / 0.3048, "s"), read, NONE))
    assert doubted["s"].unit == "ft"
    assert not unit_findings(visits_of(stage(truth, "s"), read, NONE))


def test_visits_differ_as_recorded_or_as_corrected():
    """Either beyond the limit is enough, on either side; where the water moved by more nothing is compared."""
    rows = pd.DataFrame(
        {
            "difference_m": [0.02, 0.021, 0.0, -0.021, 0.0, 0.5],
            "left_m": [0.02, 0.0, -0.021, 0.0, 0.0, 0.5],
            "change_m": [0.0, 0.02, -0.02, 0.0, 0.0, 0.021],
        }
    )
    assert differing(rows.assign(n=range(6)), 0.02)["n"].tolist() == [1, 2, 3]


def test_sensors_come_by_their_names():
    """Whichever is recorded first; one without a name goes before all."""
    rows = pd.concat([stage(np.ones(49), name) for name in ("B", None, "A")])
    assert visits_of(rows, readings([1.0], [4]), NONE)["sensor"].tolist() == ["", "A", "B"]
