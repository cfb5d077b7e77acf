"""The simulator in short: what must hold of any honest measurement of a known river."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulation.rivers import Party, Rivers
from tests.simulation.run import outcome

SIX_TENTHS = 100 * (0.4 ** (1 / 6) * 7 / 6 - 1)
"""Per cent by which v(0.6) of a 1/6 power law exceeds its mean (a closed form: 0.14)."""
TWO_POINTS = 100 * ((0.8 ** (1 / 6) + 0.2 ** (1 / 6)) / 2 * 7 / 6 - 1)


def _perfect(verticals, two_points=False):
    return Party(verticals, two_points, depth_error_m=0.0, position_error_m=0.0, meter_error=0.0, turbulence=0.0)


@pytest.mark.parametrize(("two_points", "excess"), [(False, SIX_TENTHS), (True, TWO_POINTS)])
def test_without_errors_only_the_profile_method_errs(two_points, excess):
    """With 200 perfect verticals the discharge exceeds the truth by what the profile method says, within 0.1 %."""
    found = outcome(_perfect(200, two_points), count=20, seed=3)
    assert found.bias_pct == pytest.approx(excess, abs=0.1)
    assert found.spread_pct < 0.1


def test_more_verticals_spread_less():
    """The spread about the truth falls with the number of verticals."""
    spreads = [outcome(Party(n, two_points=False), count=150, seed=4).spread_pct for n in (6, 12, 40)]
    assert spreads == sorted(spreads, reverse=True)


def test_a_meter_that_errs_errs_by_that_much():
    """With a perfect party the spread is that of the meter's calibration."""
    party = Party(200, two_points=False, depth_error_m=0.0, position_error_m=0.0, meter_error=0.03, turbulence=0.0)
    found = outcome(party, count=300, seed=5)
    assert found.spread_pct == pytest.approx(3.0, rel=0.2)


def test_the_truth_is_an_integral():
    """The truth of a river does not depend on how finely it is integrated."""
    rivers = Rivers.drawn(5, seed=6)
    s = np.broadcast_to(np.linspace(0, 1, 20_001), (5, 20_001))
    fine = np.trapezoid(rivers.bed(s) * rivers.velocity(s), dx=1 / 20_000, axis=1) * rivers.width
    assert rivers.discharge() == pytest.approx(fine, rel=1e-4)
