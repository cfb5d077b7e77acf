"""How points become the mean of a vertical."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging.profile import WEIGHTS, vertical_means
from stillwell.hydrometry.grouped import Groups
from stillwell.schemas.words import PROFILE_METHODS
from tests.making import computed, points

NAN = np.array([np.nan])


def _mean(fractions, velocities, ice=False, coefficient=np.nan, choices=None):
    made = vertical_means(
        Groups(np.array([0]), len(fractions)),
        np.array(fractions, dtype=float),
        np.array(velocities, dtype=float),
        np.array([ice]),
        np.array([coefficient]),
        choices or Choices(),
    )
    return made.velocity[0], PROFILE_METHODS[made.method[0]]


@pytest.mark.parametrize(
    ("fractions", "velocities", "mean", "method"),
    [
        ([0.6], [1.0], 1.0, "one point 0.6"),
        ([0.5], [1.0], 0.95, "one point 0.5"),
        ([0.2], [1.0], 0.87, "one point 0.2"),
        ([0.0], [1.0], 0.86, "surface"),
        ([0.2, 0.8], [1.2, 0.6], 0.9, "two points"),
        ([0.2, 0.6, 0.8], [1.2, 1.0, 0.6], 0.95, "three points"),
        ([0, 0.2, 0.6, 0.8, 1], [1.4, 1.2, 1.0, 0.6, 0.2], 0.94, "five points"),
        ([0, 0.2, 0.4, 0.6, 0.8, 1], [1.4, 1.2, 1.1, 1.0, 0.6, 0.2], 0.94, "six points"),
        ([0.21, 0.79], [1.2, 0.6], 0.9, "two points"),
    ],
)
def test_each_method_by_hand(fractions, velocities, mean, method):
    """The mean follows from the points there are, with the weights of the handbook's table."""
    found, how = _mean(fractions, velocities)
    assert mean == pytest.approx(found)
    assert method == how


def test_weights_of_every_method_sum_to_one():
    """A uniform velocity is its own mean."""
    assert all(sum(w.values()) == pytest.approx(1) for w in WEIGHTS.values())


@pytest.mark.parametrize(("fraction", "coefficient"), [(0.6, 0.92), (0.5, 0.88)])
def test_one_point_under_ice_takes_its_coefficient(fraction, coefficient):
    """Under ice one point is multiplied by the coefficient remembered for it."""
    assert _mean([fraction], [1.0], ice=True)[0] == pytest.approx(coefficient)


def test_a_coefficient_handed_in_replaces_the_usual_one():
    """method_coefficient stands in place of the method's own."""
    assert _mean([0.6], [2.0], coefficient=0.9)[0] == pytest.approx(1.8)
    assert _mean([0.0], [2.0], coefficient=0.9)[0] == pytest.approx(1.8)


@given(st.floats(-2, 2), st.integers(7, 20))
def test_velocity_curve_of_a_uniform_profile(velocity, count):
    """The curve through uniform points differs from uniform only where it meets the bed."""
    fractions = np.linspace(0.05, 0.9, count)
    found, how = _mean(fractions, np.full(count, velocity))
    assert how in ("velocity curve", "other points")
    assert found == pytest.approx(velocity * (0.9 + 0.1 * 6 / 7))


def test_velocity_curve_of_a_power_law():
    """Nine points of a 1/6 power law, integrated with that law below the lowest, give 6/7 within half a per cent."""
    fractions = np.arange(0.1, 0.95, 0.1)
    found, how = _mean(fractions, (1 - fractions) ** (1 / 6))
    assert how == "velocity curve"
    assert found == pytest.approx(6 / 7, rel=5e-3)


def test_a_point_without_velocity_does_not_count():
    """A point at which nothing was read leaves the method of the others."""
    assert _mean([0.2, 0.6, 0.8], [1.2, np.nan, 0.6]) == (pytest.approx(0.9), "two points")
    assert np.isnan(_mean([0.6], [np.nan])[0])


def test_repeats_are_averaged_by_exposure():
    """Two velocities at one point weigh as long as they were averaged."""
    row = {"position_m": 1.0, "depth_m": 1.0, "relative_depth": 0.6, "vertical": 2}
    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        row | {"velocity_m_s": 1.0, "exposure_s": 40.0},
        row | {"velocity_m_s": 2.0, "exposure_s": 120.0, "repeat": 2},
        {"position_m": 2.0, "depth_m": 0.0, "kind": "edge", "vertical": 3},
    ]
    made = computed(points(rows))
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(1.75)
    assert made.verticals["exposure_s"].iloc[1] == 40


@pytest.mark.parametrize(("fraction", "n"), [(0.3, 6.0), (0.9, 6.0), (0.45, 4.0)])
def test_one_point_anywhere_is_taken_to_lie_on_a_power_law(fraction, n):
    """``v = v_s (1 - r)^(1/n)`` has the mean ``v_s n/(n + 1)``: a point on it gives that, whatever its r."""
    mean, method = _mean([fraction], [2.0 * (1 - fraction) ** (1 / n)], choices=Choices(bed_exponent=n))
    assert mean == pytest.approx(2.0 * n / (n + 1))
    assert method == "one point other"


def test_the_cosine_of_a_vertical_is_the_mean_over_its_velocities():
    """Of 0.9 and 0.7 it is 0.8, whatever they ran at; a point without a velocity has no part in it."""
    plain = {"position_m": 1.0, "depth_m": 2.0}
    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        plain | {"relative_depth": 0.2, "velocity_m_s": 1.0, "angle_cosine": 0.9},
        plain | {"relative_depth": 0.6, "angle_cosine": 0.2},
        plain | {"relative_depth": 0.8, "velocity_m_s": 0.5, "angle_cosine": 0.7},
        {"position_m": 2.0, "depth_m": 0.0, "kind": "edge"},
    ]
    rows = [row | {"vertical": number} for row, number in zip(rows, (1, 2, 2, 2, 3), strict=True)]
    assert computed(points(rows)).verticals["cosine"].iloc[1] == pytest.approx(0.8)


@pytest.mark.parametrize(("count", "method"), [(5, "other points"), (6, "velocity curve")])
def test_six_points_anywhere_make_a_velocity_curve(count, method):
    """Five do not, and both are integrated: of one velocity throughout down to the bed's strip, 6/7 of that below."""
    fractions = [0.07, 0.13, 0.27, 0.33, 0.47, 0.73][:count]
    mean, how = _mean(fractions, [1.0] * count)
    assert how == method
    assert mean == pytest.approx(fractions[-1] + (1 - fractions[-1]) * 6 / 7)
