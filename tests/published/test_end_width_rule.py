"""The triangular rule for the width of the first vertical, W_1 = (b_1 + b_2/2)^2 / (2 b_1).

The form is that of Subramanya, Engineering Hydrology, Example 4.1 (REMEMBERED); the totals, with that rule and with
plain panels, were computed apart from this program (DERIVED). Rotating meters, v = a N + b. The data of the second
exercise were READ.
"""

from __future__ import annotations

import pytest

from stillwell.hydrometry.choices import Choices
from tests.making import computed, gaugings, one_point_section

FIRST = {
    "x": [0, 1, 3, 5, 7, 9, 11, 12],
    "d": [0, 1.1, 2.0, 2.5, 2.0, 1.7, 1.0, 0],
    "turns": [0, 39, 58, 112, 90, 45, 30, 0],
    "seconds": [1, 100, 100, 150, 150, 100, 100, 1],
    "calibration": (0.51, 0.03),
    "plain": 6.235685,
    "triangular": 6.45308,
}
SECOND = {
    "x": [0, 2, 4, 6, 9, 12, 15, 18, 20, 22, 23, 24],
    "d": [0, 0.5, 1.1, 1.95, 2.25, 1.85, 1.75, 1.65, 1.5, 1.25, 0.75, 0],
    "turns": [0, 80, 83, 131, 139, 121, 114, 109, 92, 85, 70, 0],
    "seconds": [1, 180, 120, 120, 120, 120, 120, 120, 120, 120, 150, 1],
    "calibration": (0.32, 0.032),
    "plain": 11.824956,
    "triangular": 11.863733,
}


@pytest.mark.parametrize("case", [FIRST, SECOND])
@pytest.mark.parametrize("rule", ["plain", "triangular"])
def test_total_with_each_width_rule(case, rule):
    """Revolutions through the meter's calibration give the total of each rule."""
    section = one_point_section(case["x"], case["d"], [None] * len(case["x"]))
    turns = section.assign(
        revolutions=[float(n) for n in case["turns"]], exposure_s=[float(s) for s in case["seconds"]]
    )
    slope, intercept = case["calibration"]
    calibration = {"instrument": "M1", "valid_from": "2020-01-01T00:00Z", "slope": slope, "intercept": intercept}
    turns.loc[turns["kind"] == "edge", "revolutions"] = float("nan")
    made = computed(turns, gaugings(instrument="M1"), calibrations=[calibration], choices=Choices(edge_rule=rule))
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(case[rule], abs=2e-6)
