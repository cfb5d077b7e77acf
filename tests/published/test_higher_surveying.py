"""Higher Surveying (CIEN 3083) assignment 4 problem 5: two-point verticals and a wall-like right edge.

Data and panel areas READ in the solution sheet; its total was cut off, so the total is recomputed by hand (DERIVED).
"""

from __future__ import annotations

import pytest

from tests.making import computed, points

X = [10, 15, 20, 25, 30, 35, 40, 45]
D = [1.8, 2.6, 3.2, 4.5, 5.6, 6.7, 4.8, 5.1]
V2 = [0.48, 0.43, 0.75, 0.70, 1.10, 1.10, 0.82, 0.76]
V8 = [0.36, 0.35, 0.47, 0.51, 0.66, 0.70, 0.49, 0.46]
AREAS = [13.5, 13, 16, 22.5, 28, 33.5, 24, 25.5]


def _rows():
    rows = [{"vertical": 1, "position_m": 0, "depth_m": 0, "kind": "edge"}]
    for i, (x, d, upper, lower) in enumerate(zip(X, D, V2, V8, strict=True), 2):
        at = {"vertical": i, "position_m": x, "depth_m": d}
        rows += [
            at | {"relative_depth": 0.2, "velocity_m_s": upper},
            at | {"relative_depth": 0.8, "velocity_m_s": lower},
        ]
    return [*rows, {"vertical": 10, "position_m": 50, "depth_m": 2.3, "kind": "edge", "velocity_m_s": 0.0}]


def test_panel_areas_are_the_printed_ones():
    """The eight inner panels have the printed areas, and the two-point means make the total."""
    made = computed(points(_rows()))
    inner = made.verticals.iloc[1:-1]
    assert pytest.approx(list(inner["area_m2"])) == AREAS
    assert set(inner["profile_method"]) == {"two points"}
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(120.178, abs=5e-4)
