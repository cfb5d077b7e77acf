"""How far off a number may be because of the digits it was written with."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.assessment.checks_section import half_digit


@pytest.mark.parametrize(
    ("written", "expected"),
    [("50.5", 0.05), ("0.19", 0.005), ("142", 0.5), ("6.0", 0.05), ("0.2", 0.005), ("1200", 0.5), ("0", 0.0)],
)
def test_half_a_unit_of_the_last_digit(written, expected):
    """Derived by hand; a zero at the end is not seen, so two significant digits are always allowed for."""
    assert half_digit(np.array([float(written)]))[0] == pytest.approx(expected)


def test_a_computed_number_has_no_last_digit():
    """Feet turned into metres, or a missing number, say nothing of the digits they were written with."""
    np.testing.assert_array_equal(half_digit(np.array([10 / 3, np.nan])), [0.0, 0.0])


@given(st.decimals("0.01", "999", places=2), st.integers(0, 2))
def test_rounding_never_moves_a_number_by_more(exact, places):
    """What is written with so many decimals and two significant digits lies within half a digit of the truth."""
    written = round(float(exact), places)
    if written >= 10 ** (1 - places):
        assert abs(float(exact) - written) <= half_digit(np.array([written]))[0] + 1e-9
