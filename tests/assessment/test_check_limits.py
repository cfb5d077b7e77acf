"""What a check compares with what: both sides of a limit, and neighbours that are none."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment.checks_season import _next_same, same_day_differ
from stillwell.assessment.checks_section import _unlike
from stillwell.pipeline.ingest import office_policy


def verticals(count=5, **said):
    """Make verticals of one channel of one gauging, each with water and a velocity of its own."""
    plain = {"g": 0, "channel": 1, "velocity_interpolated": False, "effective_depth_m": 1.0, "edge": False}
    return SimpleNamespace(verticals=pd.DataFrame({name: [value] * count for name, value in plain.items()} | said))


def season(starts, discharges, uncertainties):
    """Make gaugings of one site at one stage, in order of time."""
    g = range(len(starts))
    columns = {"discharge_m3_s": discharges, "uncertainty_table_m3_s": uncertainties, "gauge_height_m": 1.0}
    rows = pd.DataFrame({"g": g, "site": "S1", "started_at": pd.to_datetime(starts, utc=True)} | columns)
    gaugings = pd.DataFrame({"gauging": [f"G{i}" for i in g], "row_file": "f", "row_line": g})
    return SimpleNamespace(seen=rows, gaugings=gaugings, policy=office_policy()[0])


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


@pytest.mark.parametrize("kind", ["str", "string"])
def test_a_row_is_followed_by_its_like_where_every_column_agrees_and_none_is_missing(kind):
    """The last row is followed by nothing, a missing value by none of its kind, and one column alone is not enough."""
    site = pd.Series(["A", "A", "A", "B", pd.NA, pd.NA, "B"], dtype=kind)
    day = pd.Series([1, 1, 2, 2, 3, 3, 3])
    assert _next_same(site, day).tolist() == [True, False, False, False, False, False, False]
    assert _next_same(site).tolist() == [True, True, False, False, False, False, False]


@pytest.mark.parametrize(("first", "second", "told"), [
    ("2025-05-01T00:00Z", "2025-05-01T12:00Z", True), ("2025-05-01T00:00Z", "2025-05-01T23:59Z", True),
    ("2025-04-30T23:59Z", "2025-05-01T00:00Z", False),
])  # fmt: skip
def test_a_day_begins_with_its_midnight(first, second, told):
    """Of 2 and 3 m3/s at one stage, at midnight and later that day, both disagree; a minute before is another day."""
    found = same_day_differ(season([first, second], [2.0, 3.0], [0.3, 0.4]))
    assert found[["g", "value", "limit"]].to_numpy().tolist() == ([[0, 2.0, 3.0], [1, 3.0, 2.0]] if told else [])


@pytest.mark.parametrize(("discharge", "told"), [(2.5, False), (2.51, True), (1.5, False), (1.49, True)])
def test_gaugings_of_a_day_disagree_beyond_both_uncertainties_in_quadrature(discharge, told):
    """0.3 and 0.4 m3/s make 0.5 m3/s, on either side of 2 m3/s."""
    at = ["2025-05-01T09:00Z", "2025-05-01T15:00Z"]
    assert bool(len(same_day_differ(season(at, [2.0, discharge], [0.3, 0.4])))) == told


def test_each_gauging_of_a_day_is_held_against_the_next():
    """Of three, 2, 2.1 and 3 m3/s at 0.3 m3/s each, the last two disagree, each told with the other."""
    at = ["2025-05-01T09:00Z", "2025-05-01T12:00Z", "2025-05-01T15:00Z", "2025-05-02T09:00Z"]
    found = same_day_differ(season(at, [2.0, 2.1, 3.0, 9.0], [0.3] * 4))
    assert found[["g", "value", "limit"]].to_numpy().tolist() == [[1, 2.1, 3.0], [2, 3.0, 2.1]]
