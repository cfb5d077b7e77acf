"""A rating curve in segments."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.rating.curve import Curve

TWO = Curve(np.array([0.2, 1.2]), np.array([4.0, 16.0]), np.array([0.2, 0.7]), np.array([2.0, 2.0]))
"""``4 (h - 0.2)^2`` up to 1.2 m, where both are 4 m3/s, and ``16 (h - 0.7)^2`` above."""


def test_each_segment_holds_in_its_range():
    """Values by hand on both sides of the break, at zero flow, under it, and of a missing stage."""
    got = TWO.discharge(np.array([0.7, 1.2, 1.7, 0.2, 0.1, np.nan]))
    np.testing.assert_allclose([1.0, 4.0, 16.0, 0.0, 0.0, np.nan], got)
    np.testing.assert_allclose(
        [4.0, 16.0, 32.0, 0.0, 0.0, np.nan], TWO.slope(np.array([0.7, 1.2, 1.7, 0.2, 0.1, np.nan]))
    )


@given(st.floats(0.2, 5.0))
def test_stage_inverts_discharge(h):
    """The stage of a discharge is the stage it came from."""
    stage = np.array([h])
    np.testing.assert_allclose(stage, TWO.stage(TWO.discharge(stage)), rtol=1e-9, atol=1e-9)


def test_no_stage_has_a_negative_discharge():
    """A discharge under zero has no stage on a curve."""
    assert np.isnan(TWO.stage(np.array([-1.0])))[0]


def test_in_a_jump_between_segments_the_lower_one_goes_on():
    """``Q = h`` up to 1 m and ``Q = 2 h`` above: of 1.5 m3/s 1.5 m; the upper one holds from its 2 m3/s at 1 m on."""
    jump = Curve(np.array([0.0, 1.0]), np.array([1.0, 2.0]), np.zeros(2), np.ones(2))
    np.testing.assert_allclose(jump.stage(np.array([0.9, 1.5, 2.0, 3.0])), [0.9, 1.5, 1.0, 1.5])
