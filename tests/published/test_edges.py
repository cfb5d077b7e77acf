"""Edges, islands and flow angle by closed form (DERIVED); the wall ratio 0.65 is WSP 2175 p. 82 as REMEMBERED."""

from __future__ import annotations

import numpy as np
import pytest

from tests.making import computed, points

FLUME = [0.0, 1.0, 2.0, 3.0, 4.0]


def _flume(**wall):
    rows = [{"position_m": x, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 1.0} for x in FLUME[1:-1]]
    edges = [{"position_m": x, "depth_m": 1.0, "kind": "edge"} | wall for x in (FLUME[0], FLUME[-1])]
    return points([edges[0], *rows, edges[1]])


@pytest.mark.parametrize(
    ("wall", "rule", "discharge"),
    [
        ({}, "table", 3.65),
        ({"edge_velocity_ratio": 0.65}, "ratio", 3.65),
        ({"velocity_m_s": 0.0}, "given", 3.0),
        ({"velocity_m_s": 0.65}, "given", 3.65),
    ],
)
def test_flume_of_four_by_one_metre(wall, rule, discharge):
    """A flume 4 m by 1 m at 1 m/s carries 3.65 m3/s with walls at 0.65 of it and 3.00 with still walls."""
    made = computed(_flume(**wall))
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(discharge)
    assert list(made.verticals["wall_rule"]) == [rule, "", "", "", rule]
    assert made.results["area_m2"].iloc[0] == pytest.approx(4.0)


@pytest.mark.parametrize(("distance", "ratio"), [(0.25, 0.90), (0.5, 0.95), (1.0, 1.0), (2.0, 1.0)])
def test_wall_table_by_the_neighbours_distance(distance, ratio):
    """A neighbour at that many depths runs at the table's ratio of the free velocity; the wall at 0.65 of it."""
    rows = [
        {"position_m": 0.0, "depth_m": 1.0, "kind": "edge"},
        {"position_m": distance, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": ratio},
        {"position_m": 10.0, "depth_m": 0.0, "kind": "edge"},
    ]
    assert computed(points(rows)).verticals["mean_velocity_m_s"].iloc[0] == pytest.approx(0.65)


def test_two_channels_around_an_island_add_up():
    """Two rectangular channels of 0.20 and 0.42 m3/s with still walls make 0.62; the island carries nothing."""
    rows = []
    for left, depth, velocity in ((0.0, 0.5, 0.2), (6.0, 0.7, 0.3)):
        at = {"depth_m": depth, "velocity_m_s": velocity}
        rows += [
            {"position_m": left, "kind": "edge"} | at,
            {"position_m": left + 1, "relative_depth": 0.6} | at,
            {"position_m": left + 2, "kind": "edge"} | at,
        ]
    made = computed(points(rows))
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(0.62)
    assert made.results["width_m"].iloc[0] == pytest.approx(4.0)
    assert list(made.verticals["channel"]) == [1, 1, 1, 2, 2, 2]


@pytest.mark.parametrize(
    ("angle", "cosine"), [(5, 0.99619), (10, 0.98481), (15, 0.96593), (20, 0.93969), (25, 0.90631), (30, 0.86603)]
)
def test_flow_angle_takes_the_cosine(angle, cosine):
    """Flow at an angle to the normal loses what its cosine says, unless the meter gave the normal component."""
    row = {"relative_depth": 0.6, "velocity_m_s": 1.0, "flow_angle_deg": angle}
    for normal, factor in ((False, cosine), (True, 1.0)):
        rows = [
            {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
            {"position_m": 1.0, "depth_m": 1.0, "velocity_is_normal": normal} | row,
            {"position_m": 2.0, "depth_m": 0.0, "kind": "edge"},
        ]
        assert computed(points(rows)).results["discharge_m3_s"].iloc[0] == pytest.approx(factor, abs=5e-6)


def test_ice_depth_counts_from_its_underside():
    """Depth 2.0 with ice down to 0.6 leaves 1.4 m of water (case E5), at 0.92 of the velocity at 0.6 of it."""
    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        {"position_m": 1.0, "depth_m": 2.0, "kind": "ice", "ice_underside_m": 0.6, "relative_depth": 0.6,
         "velocity_m_s": 0.5},
        {"position_m": 2.0, "depth_m": 0.0, "kind": "edge"},
    ]  # fmt: skip
    made = computed(points(rows))
    assert made.results["area_m2"].iloc[0] == pytest.approx(1.4)
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(1.4 * 0.92 * 0.5)


def test_power_law_strip_next_to_an_edge():
    """With the power law a mean-section strip at a sloping edge runs at m/(m+1) of its inner velocity."""
    from stillwell.hydrometry.choices import Choices
    from tests.making import gaugings

    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        {"position_m": 2.0, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 1.0},
        {"position_m": 4.0, "depth_m": 0.0, "kind": "edge"},
    ]
    for m, ratio in ((4, 0.800), (5, 0.833), (7, 0.875), (10, 0.909)):
        choices = Choices(edge_rule="power law", edge_exponent=float(m))
        made = computed(points(rows), gaugings(section_method="mean-section"), choices=choices)
        assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(2 * ratio, abs=2e-3)
    assert np.isfinite(made.verticals["discharge_m3_s"]).all()
