"""Stage of zero flow from three points.

R6: Polish hydrometry exercise notes, zanotowane.pl 228/3383 (Glushkov's method); inputs READ, e recomputed since it
was printed as an image. Their table of further points does not lie on the law through the anchors and is not used. R7:
an identity, DERIVED.
"""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.rating.zero_flow import between, from_control_depth, from_three_points


def test_the_exercise():
    """R6: 1.25 m3/s at 1.96 m, 4.75 at 2.288 m, the middle 2.4367 at 2.104 m: zero flow at 1.4416 m."""
    assert between(1.25, 4.75) == pytest.approx(2.436698586)
    assert from_three_points(1.96, 2.104, 2.288)[0] == pytest.approx(1.4416, abs=1e-9)


def test_exact_for_a_power_law():
    """R7: 12.5 (h - 1.3)^1.62 at 5, 20 and 80 m3/s gives 1.3 back."""
    stages = 1.3 + (np.array([5.0, 20.0, 80.0]) / 12.5) ** (1 / 1.62)
    np.testing.assert_allclose([1.868013, 2.636595, 4.445154], stages, atol=5e-7)
    assert from_three_points(*stages)[0] == pytest.approx(1.3, abs=1e-9)


def test_how_far_an_error_of_the_middle_stage_carries():
    """The factor given is the derivative of e by the middle stage, here by differences."""
    zero, factor = from_three_points(1.96, 2.104, 2.288)
    assert (zero - from_three_points(1.96, 2.104 + 1e-7, 2.288)[0]) / 1e-7 == pytest.approx(factor, rel=1e-4)


def test_from_the_depth_over_the_control():
    """0.35 m over the lowest point at a gauge height of 1.20 m: zero flow at 0.85 m, plus an allowance."""
    assert from_control_depth(1.20, 0.35) == pytest.approx(0.85)
    assert from_control_depth(1.20, 0.35, 0.02) == pytest.approx(0.87)
