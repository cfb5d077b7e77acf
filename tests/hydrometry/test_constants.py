"""Constants that numbers rest on, against values written out here, and on both sides of where they act."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.gauging import uncertainty_tables as tables
from stillwell.hydrometry.gauging.profile import FRACTIONS, OTHER, point_class
from stillwell.hydrometry.gauging.unsteady import by_fall
from stillwell.hydrometry.rating.loss import rho, weight
from stillwell.hydrometry.rating.table import MARKS, marks


@pytest.mark.parametrize(
    ("table", "places", "percents"),
    [
        ("VERTICALS", (5, 10, 15, 20, 25, 30, 35, 40, 45), (7.5, 4.5, 3.0, 2.5, 2.0, 1.5, 1.0, 1.0, 1.0)),
        ("POINTS", (0, 1, 2, 5, 6), (15.0, 7.5, 3.5, 2.5, 0.5)),
        ("CALIBRATION", (0.03, 0.10, 0.15, 0.25, 0.5), (10.0, 2.5, 1.25, 1.0, 0.5)),
    ],
)
def test_tables_of_components(table, places, percents):
    """Standard uncertainties in percent: ISO 748:2007 annex E AS REMEMBERED, unverified."""
    assert getattr(tables, table) == (places, percents)


def test_components_that_are_one_number():
    """Width, depth and the systematic part, in percent: AS REMEMBERED, unverified."""
    assert (tables.WIDTH, tables.DEPTH, tables.SYSTEMATIC) == (0.5, 0.65, 1.0)
    assert tables.EXPOSURE_MINUTES == (0.5, 1.0, 2.0, 3.0)
    assert tables.EXPOSURE_VELOCITIES == (0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 1.0)


def test_a_point_counts_as_at_a_fraction_up_to_two_hundredths_away():
    """Common practice, no source: 0.619 is at 0.6 and 0.621 at none; the surface and the bed take 0.05."""
    at = [FRACTIONS.index(0.6), OTHER, FRACTIONS.index(0.6), OTHER]
    assert point_class(np.array([0.619, 0.621, 0.581, 0.579])).tolist() == at
    first, last = FRACTIONS.index(0.0), FRACTIONS.index(1.0)
    assert point_class(np.array([0.049, 0.051, 0.951, 0.949])).tolist() == [first, OTHER, last, OTHER]


def test_an_extension_reaches_twice_the_highest_gauged_discharge():
    """AS REMEMBERED: of 10 m3/s gauged, 20 is above the gauged range and 20.1 beyond the limit."""
    words = [MARKS[place] for place in marks(np.array([0.9, 1.0, 10.0, 10.1, 20.0, 20.1]), (1.0, 10.0))]
    assert words == ["below gauged range", "", "", "above gauged range", "above gauged range", "beyond limit"]


@pytest.mark.parametrize("loss", ["none", "huber", "tukey"])
def test_the_slope_of_a_loss_is_its_weight_times_the_distance(loss):
    """``d rho/dz = psi(z) = z w(z)`` on both sides of the bend (1.345 and 4.685 as remembered), and rho(0) = 0."""
    z = np.array([-6.0, -4.0, -1.3, -0.2, 0.1, 1.3, 1.4, 3.0, 4.6, 4.8])
    step = 1e-6
    slope = (rho(loss, z + step) - rho(loss, z - step)) / (2 * step)
    np.testing.assert_allclose(z * weight(loss, z), slope, atol=1e-6)
    assert rho(loss, np.zeros(1))[0] == 0.0


def test_a_fall_four_times_as_great_doubles_the_discharge():
    """``Q = Q_r (F/F_r)^0.5`` where no exponent is given."""
    np.testing.assert_allclose([20.0], by_fall(np.array([10.0]), np.array([0.8]), np.array([0.2])))
