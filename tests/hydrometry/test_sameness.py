"""Two values are the same to rounding, and no further."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from stillwell.sameness import ABSOLUTE, RELATIVE, SINGLE, same_cells, same_numbers

MOMENTS = pd.Series(pd.to_datetime(["2025-01-01T00:00Z", "2025-01-01T00:00Z"])).astype("datetime64[us, UTC]")


@pytest.mark.parametrize("size", [1e-6, 1.0, 3.7e5])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_numbers_are_the_same_within_the_share_of_the_larger(size, sign):
    """Just inside the limit ``A + R max(|a|, |b|)`` two numbers are the same, just outside they are not."""
    limit = ABSOLUTE + RELATIVE * size
    one = np.array([size, size]) * sign
    other = one - sign * limit * np.array([0.99, 1.01])
    assert same_numbers(one, other).tolist() == [True, False]
    assert same_numbers(other, one).tolist() == [True, False]


def test_the_limits_lie_between_rounding_and_measuring():
    """A thousand roundings in a row are none of a difference; a millionth of a millimetre on a metre is one."""
    assert 1000 * np.finfo(float).eps < RELATIVE < 1e-9
    assert np.finfo(np.float32).eps < SINGLE < 2 * np.finfo(np.float32).eps


def test_single_precision_has_its_own_share():
    """Neighbours in single precision are the same, numbers three places apart are not."""
    one = np.array([1.0, 1.0], dtype=np.float32)
    next_ = np.nextafter(one, np.float32(2))
    far = np.float32(1) + 3 * np.finfo(np.float32).eps
    assert same_numbers(one, np.array([next_[0], far], dtype=np.float32)).tolist() == [True, False]


def test_what_is_not_finite_is_the_same_as_itself_only():
    """Missing is the same as missing, infinite as infinite of one sign, and neither as a number."""
    one = np.array([np.nan, np.inf, np.inf, np.nan, np.inf, 0.0])
    other = np.array([np.nan, np.inf, -np.inf, 0.0, 1e300, 0.0])
    assert same_numbers(one, other).tolist() == [True, True, False, False, False, True]


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (pd.Series(["a", "a", None, None], dtype="str"), pd.Series(["a", "b", None, "a"], dtype="str"), [1, 0, 1, 0]),
        (pd.Series([1, 1, None, None], dtype="Int64"), pd.Series([1, 2, None, 1], dtype="Int64"), [1, 0, 1, 0]),
        (pd.Series([True, None], dtype="boolean"), pd.Series([False, None], dtype="boolean"), [0, 1]),
        (pd.Series([1.0, None, 1.0]), pd.Series([1.0 + 1e-15, None, 1.0 + 1e-6]), [1, 1, 0]),
        (MOMENTS, MOMENTS + pd.to_timedelta([1, 0], unit="us"), [0, 1]),
    ],
)
def test_cells_are_compared_by_their_kind(one, other, same):
    """Texts, counts, flags and moments are the same exactly; numbers to rounding; missing is a value."""
    other.index = other.index + 7
    assert same_cells(one, other).tolist() == [bool(flag) for flag in same]
