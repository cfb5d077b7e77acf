"""Means of a power-law profile over the usual methods' answers; the table is DERIVED in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging.profile import vertical_means
from stillwell.hydrometry.grouped import Groups

NAN = np.array([np.nan])
RATIOS = [
    # n, mean/surface, mean/v(0.6), mean/two points, mean/three points
    (6, 0.85714, 0.99857, 0.99194, 0.99524),
    (7, 0.87500, 0.99737, 0.99250, 0.99493),
]


def _mean(fractions, velocities, choices=None):
    made = vertical_means(
        Groups(np.array([0]), len(fractions)),
        np.array(fractions),
        np.array(velocities),
        np.array([False]),
        NAN,
        choices or Choices(),
    )
    return made.velocity[0]


@pytest.mark.parametrize(("n", "surface", "six_tenths", "two", "three"), RATIOS)
def test_methods_on_a_power_law(n, surface, six_tenths, two, three):
    """On v = v_s (1-r)^(1/n) each method misses the true mean n/(n+1) by the ratio of the closed form."""

    def v(r):
        return (1 - r) ** (1 / n)

    mean = n / (n + 1)
    assert _mean([0.6], [v(0.6)]) == pytest.approx(mean / six_tenths, rel=1e-4)
    assert _mean([0.2, 0.8], [v(0.2), v(0.8)]) == pytest.approx(mean / two, rel=1e-4)
    assert _mean([0.2, 0.6, 0.8], [v(0.2), v(0.6), v(0.8)]) == pytest.approx(mean / three, rel=1e-4)
    assert _mean([0.0], [1.0], Choices(coefficient_surface=surface)) == pytest.approx(mean, rel=1e-4)


def test_a_point_at_an_unusual_depth_follows_the_power_law():
    """One point at 0.4 of a 1/6 power law gives that law's own mean, 6/7 of the surface velocity."""
    assert _mean([0.4], [0.6 ** (1 / 6)]) == pytest.approx(6 / 7, rel=1e-12)
