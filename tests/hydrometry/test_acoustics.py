"""Which speed of sound corrects what, and where nothing is said. Percentages are case S3, DERIVED from the formulas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.meter.acoustics import sound_speed_m_s, sound_speed_ratio, velocity_factor
from tests.making import gaugings

NAN = np.nan


def _ratio(water, salinity, meter, meter_salinity, speed):
    return float(sound_speed_ratio(*(np.array([float(v)]) for v in (water, salinity, meter, meter_salinity, speed)))[0])


@pytest.mark.parametrize(("true_t", "meter_t", "percent"), [(20, 15, -1.107), (10, 8, -0.562)])
def test_a_wrong_thermometer(true_t, meter_t, percent):
    """A thermometer 5 degrees low at 20 makes velocities 1.107 % low, 2 degrees low at 10 makes them 0.562 % low."""
    factor = velocity_factor(gaugings(1, water_temperature_c=true_t, meter_temperature_c=meter_t))[0]
    assert 100 * (1 / factor - 1) == pytest.approx(percent, abs=1e-3)


def test_a_wrong_salinity():
    """A meter set to fresh water in the sea is to be multiplied by 1.0278 at 15 degrees, and back by its inverse."""
    factor = _ratio(15, 35, 15, 0, NAN)
    assert 100 * (factor - 1) == pytest.approx(2.7798, abs=0.01)
    assert _ratio(15, 0, 15, 35, NAN) == pytest.approx(1 / factor)


def test_the_meters_own_speed_of_sound_goes_before_its_temperature():
    """A speed of sound handed in is the one used."""
    known = gaugings(1, water_temperature_c=10.0, meter_temperature_c=2.0, meter_sound_speed_m_s=1447.29)
    assert velocity_factor(known)[0] == pytest.approx(1.0, abs=1e-5)
    assert _ratio(10, NAN, 2, NAN, 1400.0) == pytest.approx(1447.29 / 1400, abs=1e-5)


def test_a_missing_salinity_is_not_doubted():
    """Water without a salinity is fresh; a meter without one knew the water's, so only its thermometer is at fault."""
    assert _ratio(12, NAN, 10, NAN, NAN) == _ratio(12, 0, 10, 0, NAN)
    assert _ratio(12, 20, 10, NAN, NAN) == _ratio(12, 20, 10, 20, NAN)
    assert _ratio(12, 20, 12, NAN, NAN) == 1.0


@pytest.mark.parametrize(
    "said",
    [
        {"water_temperature_c": 10.0},
        {"meter_temperature_c": 10.0},
        {"meter_sound_speed_m_s": 1450.0},
        {"water_temperature_c": -1.0, "meter_temperature_c": 10.0},
        {"water_temperature_c": 40.0, "salinity_ppt": 5.0, "meter_sound_speed_m_s": 1450.0},
        {},
    ],
)
def test_without_knowledge_nothing_is_corrected(said):
    """Where either speed is unknown the ratio is missing and the factor 1."""
    assert velocity_factor(gaugings(1, **said)).tolist() == [1.0]
    order = (
        "water_temperature_c",
        "salinity_ppt",
        "meter_temperature_c",
        "meter_salinity_ppt",
        "meter_sound_speed_m_s",
    )
    assert np.isnan(_ratio(*(said.get(name, NAN) for name in order)))


def test_a_speed_of_zero_or_less_is_unknown():
    """A meter that says no speed, or an impossible one, is asked for its temperature instead, without a warning."""
    assert _ratio(12, 0, 10, 0, 0.0) == _ratio(12, 0, 10, 0, NAN)
    assert np.isnan(_ratio(12, 0, NAN, 0, -1.0))


@pytest.mark.parametrize(
    ("t", "s"), [(-0.1, 0), (95.1, 0), (35.1, 1), (10, -0.1), (10, 45.1), (NAN, 0), (np.inf, 0), (10, np.inf)]
)
def test_outside_the_formulas_nothing_is_said(t, s):
    """Below freezing, above the hottest or saltiest water measured there is no speed, and no warning."""
    assert np.isnan(sound_speed_m_s(np.array([float(t)]), np.array([float(s)]))).all()


@given(st.floats(0, 30), st.floats(0, 44), st.floats(0.1, 5))
def test_warmer_or_saltier_is_faster(t, s, step):
    """Up to 35 degrees sound is faster in warmer and in saltier water."""
    here, warmer = sound_speed_m_s(np.array([t, t + step]), s)
    assert warmer > here
    assert sound_speed_m_s(np.array([t]), s + 1)[0] > here


@given(st.floats(0, 35), st.floats(0, 35), st.floats(0, 45), st.floats(0, 45))
def test_there_and_back(t1, t2, s1, s2):
    """Correcting from one water to another and back again is no correction."""
    assert _ratio(t1, s1, t2, s2, NAN) * _ratio(t2, s2, t1, s1, NAN) == pytest.approx(1.0)


def test_shapes_are_kept():
    """Arrays of any shape come back in it, also empty ones."""
    assert sound_speed_m_s(np.zeros((2, 3))).shape == (2, 3)
    assert sound_speed_m_s(np.zeros(0)).shape == (0,)
    assert velocity_factor(gaugings(0)).shape == (0,)


@pytest.mark.parametrize(
    ("temperature", "salinity", "said"),
    [(15, 45, True), (15, 45.01, False), (15, -0.01, False), (35, 10, True), (35.01, 10, False), (95, 0, True),
     (95.01, 0, False), (0, 0, True), (-0.01, 0, False)],
)  # fmt: skip
def test_the_formulas_are_used_where_they_hold(temperature, salinity, said):
    """Up to 45 parts per thousand, from 0 to 35 degrees with salt and to 95 without: on the bound, not beyond it."""
    assert np.isfinite(sound_speed_m_s(np.array([float(temperature)]), salinity)[0]) == said


def test_water_of_which_no_salinity_is_said_is_fresh():
    """At 20 degrees 1482.4 m/s (Marczak 1997), as of 0 parts per thousand and of a missing figure."""
    at = np.array([20.0])
    assert sound_speed_m_s(at)[0] == pytest.approx(1482.4, abs=0.1)
    assert sound_speed_m_s(at)[0] == sound_speed_m_s(at, 0.0)[0] == sound_speed_m_s(at, np.array([NAN]))[0]
