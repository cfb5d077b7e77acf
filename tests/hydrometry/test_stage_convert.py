"""What a sensor reads to stage, and its unit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.stage.convert import (
    PSI_PA,
    UNITS_M,
    air_pressure,
    barometer_at,
    gravity,
    stage_from_pressure,
    stage_from_range,
    unit_finding,
    water_density,
    weather_uncertainty,
)

MINUTE = 60_000_000


def test_stage_rises_as_the_range_shrinks():
    """A sensor 5 m above the gauge's zero that sees water 3.6 m below stands over a stage of 1.4 m (algebra)."""
    np.testing.assert_allclose([1.4, 2.0, np.nan], stage_from_range(np.array([3.6, 3.0, np.nan]), 5.0))


def test_pressure_of_one_metre_of_water():
    """Rho g of pressure more is one metre of stage more, vented or absolute with a barometer (algebra)."""
    air = np.array([100_000.0, 101_000.0, 99_000.0])
    head = 9_810.0 * np.array([0.5, 1.0, 2.0])
    np.testing.assert_allclose([0.7, 1.2, 2.2], stage_from_pressure(head, 0.2, 1000.0, 9.81))
    np.testing.assert_allclose([0.7, 1.2, 2.2], stage_from_pressure(head + air, 0.2, 1000.0, 9.81, air))


def test_without_a_barometer_weather_goes_into_stage():
    """981 Pa of weather are a tenth of a metre of water (algebra)."""
    assert weather_uncertainty(981.0, 1000.0, 9.81) == pytest.approx(0.1)


def test_constants_of_the_earth():
    """Gravity of WGS 84, density of water at 4 and 20 degrees, sea-level pressure (all remembered).

    At 45 degrees that of GRS 80, whose equator has 1.44e-6 m/s2 more.
    """
    assert gravity(0.0) == pytest.approx(9.7803253359)
    assert gravity(45.0) == gravity(-45.0) == pytest.approx(9.80619920 - 1.44e-6, abs=1e-7)
    assert gravity(90.0) == pytest.approx(9.8321849378, abs=1e-8)
    np.testing.assert_allclose([999.972, 998.204], water_density(np.array([4.0, 20.0])), atol=0.006)
    assert air_pressure(0.0) == 101_325.0
    assert air_pressure(1_000.0) == pytest.approx(89_875, abs=5)
    assert pytest.approx(6_894.757293168) == PSI_PA


def test_a_barometer_serves_between_its_readings_only():
    """Interpolated between readings, missing in a gap of the barometer and beyond its record."""
    at = np.array([0, 10, 20, 90]) * MINUTE
    air = np.array([100.0, 110.0, 120.0, 190.0])
    asked = np.array([-1, 0, 5, 20, 50, 90, 91]) * MINUTE
    expected = [np.nan, 100.0, 105.0, 120.0, np.nan, 190.0, np.nan]
    np.testing.assert_allclose(expected, barometer_at(asked, at, air, 1_800.0))
    assert np.isnan(barometer_at(asked, at[:0], air[:0], 1_800.0)).all()


@pytest.mark.parametrize("unit", ["cm", "mm", "ft", "in"])
def test_a_series_in_another_unit_is_doubted(unit):
    """Readings of the gauge between 0.4 and 2 m name the unit in which the series was written."""
    readings = np.array([0.4, 0.7, 1.1, 2.0])
    doubt = unit_finding(readings / UNITS_M[unit] + 0.001, readings)
    assert doubt is not None
    assert doubt.unit == unit
    assert doubt.misfit_m < 0.01 < doubt.misfit_as_given_m
    assert not doubt.level_left_out


def test_the_unit_is_found_even_with_another_zero():
    """Centimetres above another zero are known by how they rise and fall."""
    readings = np.array([0.4, 0.7, 1.1, 2.0])
    doubt = unit_finding(100 * (readings + 31.5), readings)
    assert doubt is not None
    assert doubt.unit == "cm"
    assert doubt.level_left_out


@given(st.floats(-0.05, 0.05), st.lists(st.floats(0.2, 5.0), min_size=3, max_size=9))
def test_metres_are_never_doubted(offset, readings):
    """A series in metres close to the gauge raises no doubt."""
    readings = np.array(readings)
    assert unit_finding(readings + offset, readings) is None


def test_few_readings_say_nothing():
    """Fewer than three pairs name no unit."""
    assert unit_finding(np.array([100.0, 200.0, np.nan]), np.array([1.0, 2.0, 3.0])) is None
    assert unit_finding(np.zeros(0), np.zeros(0)) is None


@pytest.mark.parametrize(("highest", "named"), [(1.5, True), (1.49, False)])
def test_a_range_of_ten_times_the_misfit_allows_for_another_zero(highest, named):
    """Readings over 1 m, ten times 0.1 m, tell centimetres above another zero; readings over less do not."""
    readings = np.array([0.5, 1.0, highest])
    assert (unit_finding(100 * (readings + 31.5), readings) is not None) == named


@pytest.mark.parametrize(("within", "named"), [(0.25, True), (0.2499, False)])
def test_a_misfit_of_just_what_is_allowed_names_the_unit(within, named):
    """Centimetres a quarter of a metre off, where a quarter is allowed and where it is hardly not."""
    readings = np.array([1.0, 2.0, 3.0])
    doubt = unit_finding(100 * readings - 25, readings, within_m=within)
    assert (doubt is not None) == named
