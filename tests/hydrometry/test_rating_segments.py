"""Ratings handed in as rows of segments."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.segments import curve_of, rows_of

CURVE = Curve(np.array([0.2, 1.2]), np.array([4.0, 16.0]), np.array([0.2, 0.7]), np.array([2.0, 2.0]))


def test_rows_and_back():
    """Rows in any order give the curve they were written from."""
    back = curve_of(rows_of(CURVE).iloc[::-1])
    for name in ("lower_m", "coefficient", "zero_m", "exponent"):
        np.testing.assert_array_equal(getattr(CURVE, name), getattr(back, name))


@pytest.mark.parametrize(
    ("row", "column", "value", "words"),
    [
        (1, "coefficient", 12.0, "found a fall from 4 to 3 m3/s at 1.2 m"),
        (1, "coefficient", 17.0, "found a step from 4 to 4.25"),
        (1, "exponent", -1.0, "finite exponent above 0"),
        (0, "zero_stage_m", np.nan, "finite zero_stage_m expected"),
        (0, "to_m", 1.1, "begin where the one below ends"),
        (1, "from_m", 0.2, "begin where the one below ends"),
        (1, "zero_stage_m", 1.2, "below the foot of its segment"),
    ],
)
def test_rows_that_make_no_rating_are_refused(row, column, value, words):
    """A fall, a step, numbers out of range or missing, a gap, two of one stage, zero flow above the foot."""
    rows = rows_of(CURVE)
    rows.loc[row, column] = value
    with pytest.raises(RatingError, match=words):
        curve_of(rows)


def test_no_segment_and_five_are_refused():
    """A rating has one to four segments."""
    with pytest.raises(RatingError, match="found 0"):
        curve_of(rows_of(CURVE).iloc[:0])
    with pytest.raises(RatingError, match="found 5"):
        curve_of(rows_of(CURVE).iloc[[0, 1, 1, 1, 1]])
