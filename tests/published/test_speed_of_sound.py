"""Speed of sound against published formulas: Greenspan and Tschiegg 1959 and Coppens 1981 (formulas READ), Marczak 1997
(REMEMBERED). The table of values is DERIVED from them, the check value 1482.34 m/s at 20 degrees is REMEMBERED.

A web page works the formula of Lubbers and Graaff 1998 at 25 degrees to 1494.3 m/s; the formula itself gives 1496.8.
"""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.acoustics import sound_speed_m_s, velocity_factor
from tests.making import gaugings

FRESH = {0: 1402.39, 5: 1426.17, 10: 1447.29, 15: 1465.96, 20: 1482.38, 25: 1496.73, 30: 1509.17}
GREENSPAN = {0: 1402.74, 5: 1426.50, 10: 1447.59, 15: 1466.25, 20: 1482.66, 25: 1497.00, 30: 1509.44}


def _c(t, s=0.0):
    return float(sound_speed_m_s(np.array([float(t)]), np.array([float(s)]))[0])


@pytest.mark.parametrize("t", FRESH)
def test_fresh_water(t):
    """The speed is that of the table within 0.01 m/s, and of the older formula within 0.03 %."""
    assert _c(t) == pytest.approx(FRESH[t], abs=0.006)
    assert _c(t) == pytest.approx(GREENSPAN[t], rel=3e-4)


def test_remembered_check_value():
    """1482.34 m/s at 20 degrees, within 0.05."""
    assert _c(20) == pytest.approx(1482.34, abs=0.05)


@pytest.mark.parametrize(("t", "s"), [(5, 10), (15, 35), (25, 20)])
def test_salinity_adds_what_coppens_says(t, s):
    """Against Coppens 1981 in full the speed differs by no more than both fresh formulas do."""
    tenth = t / 10
    coppens = 1449.05 + 45.7 * tenth - 5.21 * tenth**2 + 0.23 * tenth**3
    coppens += (1.333 - 0.126 * tenth + 0.009 * tenth**2) * (s - 35)
    assert _c(t, s) == pytest.approx(coppens, abs=0.15)


@pytest.mark.parametrize(("true_t", "meter_t", "percent"), [(20, 15, -1.107), (10, 8, -0.56)])
def test_a_wrong_thermometer(true_t, meter_t, percent):
    """Case S3: a thermometer 5 degrees low at 20 makes velocities 1.107 % low, 2 degrees at 10 0.56 %."""
    factor = velocity_factor(gaugings(1, water_temperature_c=true_t, meter_temperature_c=meter_t))[0]
    assert 100 * (1 / factor - 1) == pytest.approx(percent, abs=6e-3)


def test_a_wrong_salinity():
    """Case S3: fresh water taken for 35 parts per thousand is 2.78 %, and 0.079 % a part at 15 degrees."""
    assert 100 * (_c(15, 35) / _c(15) - 1) == pytest.approx(2.78, abs=0.02)
    assert 100 * (_c(15, 1) / _c(15) - 1) == pytest.approx(0.079, abs=2e-3)


def test_the_meters_own_speed_of_sound_goes_before_its_temperature():
    """A speed of sound handed in is the one used; without any knowledge nothing is corrected."""
    known = gaugings(1, water_temperature_c=10.0, meter_temperature_c=2.0, meter_sound_speed_m_s=1447.29)
    assert velocity_factor(known)[0] == pytest.approx(1.0, abs=1e-5)
    assert velocity_factor(gaugings(1, water_temperature_c=10.0))[0] == 1.0
    assert velocity_factor(gaugings(1, meter_temperature_c=10.0))[0] == 1.0


def test_outside_the_formulas_nothing_is_said():
    """Below freezing and beyond the salinities of the sea there is no speed."""
    assert np.isnan(_c(-1))
    assert np.isnan(_c(45))
    assert np.isnan(_c(10, 50))
