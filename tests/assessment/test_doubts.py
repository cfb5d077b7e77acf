"""What a doubt compares with what: both sides of a limit, and neighbours that are none."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment.doubts import _unlike
from stillwell.assessment.doubts_season import _next_same


def verticals(count=5, **said):
    """Make verticals of one channel of one gauging, each with water and a velocity of its own."""
    plain = {"g": 0, "channel": 1, "velocity_interpolated": False, "effective_depth_m": 1.0, "edge": False}
    return SimpleNamespace(verticals=pd.DataFrame({name: [value] * count for name, value in plain.items()} | said))


@pytest.mark.parametrize(("value", "told"), [(6.0, False), (6.01, True), (0.5, False), (0.49, True), (1.0, False)])
def test_a_value_is_unlike_beyond_the_factor_of_both_neighbours(value, told):
    """Between 1 and 3, at a factor of 2: more than twice the 3, or less than half the 1."""
    assert _unlike(verticals(), np.array([2.0, 1.0, value, 3.0, 2.0]), 2.0).tolist()[2] == told


@pytest.mark.parametrize("said", [
    {"g": [0, 0, 0, 1, 1]}, {"g": [0, 0, 1, 1, 1]}, {"channel": [1, 1, 1, 2, 2]}, {"channel": [1, 1, 2, 2, 2]},
    {"velocity_interpolated": [False, True, False, False, False]}, {"edge": [False, False, False, True, False]},
    {"effective_depth_m": [1.0, 0.0, 1.0, 1.0, 1.0]}, {"velocity_interpolated": [False, False, True, False, False]},
], ids=str)  # fmt: skip
def test_a_value_without_two_neighbours_in_its_own_water_is_not_compared(said):
    """Across gaugings and channels, beside an edge, a dry or an interpolated vertical nothing is unlike."""
    values = np.array([1.0, 1.0, 9.0, 1.0, 1.0])
    assert _unlike(verticals(), values, 2.0).tolist() == [False, False, True, False, False]
    assert not _unlike(verticals(**said), values, 2.0)[2]


def test_nothing_is_a_multiple_of_a_neighbour_of_nothing():
    """Beside 0, a missing or a negative value nothing is unlike; two verticals have no neighbours on both sides."""
    for beside in (0.0, np.nan, -1.0):
        assert not _unlike(verticals(3), np.array([1.0, 9.0, beside]), 2.0).any()
    assert not _unlike(verticals(2), np.array([1.0, 9.0]), 2.0).any()


def test_a_row_is_followed_by_its_like_where_every_column_agrees_and_none_is_missing():
    """The last row is followed by nothing, a missing value by none of its kind, and one column alone is not enough."""
    site = pd.Series(["A", "A", "A", "B", pd.NA, pd.NA, "B"], dtype="str")
    day = pd.Series([1, 1, 2, 2, 3, 3, 3])
    assert _next_same(site, day).tolist() == [True, False, False, False, False, False, False]
    assert _next_same(site).tolist() == [True, True, False, False, False, False, False]
