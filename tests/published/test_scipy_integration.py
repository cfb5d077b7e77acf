"""The discharge of a dense section against an independent integration by SciPy of the same bed and velocity."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from tests.making import computed, gaugings, one_point_section

WIDTH = 12.0


def _depth(x):
    return 1.5 * np.sin(np.pi * x / WIDTH) ** 2


def _velocity(x):
    return 0.4 + 0.5 * np.sin(np.pi * x / WIDTH)


@pytest.mark.parametrize("method", ["mid-section", "mean-section"])
def test_many_verticals_approach_the_integral(method):
    """With 400 verticals both section methods give the integral of depth times velocity within 0.01 %."""
    x = np.linspace(0, WIDTH, 401)
    section = one_point_section(x, np.r_[0, _depth(x[1:-1]), 0], _velocity(x))
    made = computed(section, gaugings(section_method=method))
    truth, _ = quad(lambda s: _depth(s) * _velocity(s), 0, WIDTH)
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(truth, rel=1e-4)


def test_few_verticals_err_as_the_method_predicts():
    """With twice the verticals the error of the mid-section method falls to a quarter, as for any trapezium rule."""
    truth, _ = quad(lambda s: _depth(s) * _velocity(s), 0, WIDTH)
    errors = []
    for count in (11, 21):
        x = np.linspace(0, WIDTH, count)
        x = np.sort(np.r_[x, WIDTH / 2 + 0.3])
        section = one_point_section(x, np.r_[0, _depth(x[1:-1]), 0], _velocity(x))
        errors.append(abs(computed(section).results["discharge_m3_s"].iloc[0] - truth) / truth)
    assert errors[1] < errors[0] < 0.01
