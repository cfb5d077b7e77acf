"""Fall ratings and unsteady flow.

R4b: data in the form of a worked example of Subramanya, REMEMBERED; answers DERIVED. R8: Jones's formula REMEMBERED
(WSP 2175 ch. 11), numbers DERIVED.
"""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry.gauging.unsteady import by_fall, fall_exponent, rising


def test_fall_between_two_gauges():
    """R4b: 275 m3/s at a fall of 0.5 m and 600 at 1.2 m give m 0.89113 and 371.15 m3/s at 0.7 m."""
    falls = (86.0 - 85.5, 86.0 - 84.8)
    m = fall_exponent(falls, (275.0, 600.0))
    assert m == pytest.approx(0.891132400578, rel=1e-9)
    got = by_fall(np.array([275.0]), np.array([86.0 - 85.3]), np.array([0.5]), m)
    assert got[0] == pytest.approx(371.15226997937, rel=1e-9)


def test_no_fall_says_nothing():
    """A fall of 0 or less has no discharge by this relation, and two equal falls no exponent."""
    assert np.isnan(by_fall(np.array([10.0, 10.0]), np.array([0.0, -0.1]), np.array([0.5, 0.5]))).all()
    with pytest.raises(RatingError, match="two different falls"):
        fall_exponent((0.5, 0.5), (1.0, 2.0))


def test_a_rise_carries_more():
    """R8: 100 m3/s, slope 0.0004, celerity 2 m/s, 0.5 m/h: 108.33; falling as fast, 100 sqrt(1 - 0.17361)."""
    rate = np.array([0.5 / 3600, -0.5 / 3600, 0.0])
    got = rising(np.full(3, 100.0), rate, np.full(3, 2.0), 0.0004)
    np.testing.assert_allclose([108.3333333333, 100 * np.sqrt(1 - 0.5 / 3600 / 0.0008), 100.0], got, rtol=1e-9)


def test_a_correction_beyond_half_is_not_made():
    """Where the slope of the wave passes half the slope of the bed the formula is not used."""
    assert np.isnan(rising(np.array([100.0]), np.array([0.001]), np.array([2.0]), 0.0004))[0]
