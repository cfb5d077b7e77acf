"""Mean gauge height by both weightings (case G1, DERIVED from the formulas of WSP 2175 pp. 170-172 as REMEMBERED)."""

from __future__ import annotations

import pytest

from stillwell.hydrometry.choices import Choices
from tests.making import computed, points

MINUTES = [0, 15, 30, 45, 60]
HEIGHTS = [2.00, 2.06, 2.16, 2.30, 2.36]
FLOWS = [10, 25, 40, 25]


def _rising(**choices):
    rows = [{"position_m": 0, "depth_m": 0, "kind": "edge"}]
    for i, flow in enumerate(FLOWS):
        minute = (MINUTES[i] + MINUTES[i + 1]) / 2
        at = f"2025-05-01T10:{int(minute):02d}:{int(minute % 1 * 60):02d}Z"
        velocity = flow / 10
        rows.append(
            {"position_m": 1.0 + i, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": velocity, "read_at": at}
        )
    rows.append({"position_m": 5.0, "depth_m": 0, "kind": "edge"})
    clock = ["10:00", "10:15", "10:30", "10:45", "11:00"]
    readings = [{"read_at": f"2025-05-01T{t}Z", "gauge_height_m": h} for t, h in zip(clock, HEIGHTS, strict=True)]
    return computed(points(rows), heights=readings, choices=Choices(**choices)).results.iloc[0]


def test_both_weightings_of_a_rising_stage():
    """Time-weighted 2.175, discharge-weighted 2.205: the flows of the four intervals at their middle."""
    result = _rising()
    assert result["gauge_height_time_m"] == pytest.approx(2.175)
    assert result["gauge_height_discharge_m"] == pytest.approx(2.205, abs=1e-9)
    assert result["gauge_height_change_m"] == pytest.approx(0.36)
    assert result["gauge_height_m"] == pytest.approx(2.175)


@pytest.mark.parametrize(
    ("mean", "steady", "used", "rule"),
    [("time-weighted", 0.1, 2.175, "time-weighted"), ("discharge-weighted", 0.1, 2.205, "discharge-weighted"),
     ("mean of both", 0.1, 2.190, "mean of both"), ("mean of both", 0.35, 2.190, "mean of both"),
     ("mean of both", 0.37, 2.175, "time-weighted"), ("discharge-weighted", 0.37, 2.175, "time-weighted")],
)  # fmt: skip
def test_the_office_chooses_the_weighting_where_the_stage_changed(mean, steady, used, rule):
    """A change of 0.36 m above what is called steady takes the office's mean, below it the one over time."""
    result = _rising(gauge_height_mean=mean, gauge_height_simple_change_m=steady)
    assert result["gauge_height_m"] == pytest.approx(used, abs=1e-9)
    assert result["gauge_height_rule"] == rule


def test_storage_between_section_and_gauge():
    """Case R9 (DERIVED): 100 m3/s, 800 m of channel 30 m wide, 0.12 m in 3600 s: 99.2 at a gauge downstream."""
    from tests.making import gaugings

    rows = [
        {"position_m": 0, "depth_m": 0, "kind": "edge"},
        {"position_m": 10, "depth_m": 5, "relative_depth": 0.6, "velocity_m_s": 2.0},
        {"position_m": 20, "depth_m": 0, "kind": "edge"},
    ]
    readings = [
        {"read_at": "2025-05-01T10:00Z", "gauge_height_m": 1.00},
        {"read_at": "2025-05-01T11:00Z", "gauge_height_m": 1.12},
    ]
    for distance, at_gauge in ((800.0, 99.2), (-800.0, 100.8)):
        header = gaugings(section_distance_m=distance, reach_width_m=30.0)
        result = computed(points(rows), header, heights=readings).results.iloc[0]
        assert result["discharge_m3_s"] == pytest.approx(100)
        assert result["discharge_at_gauge_m3_s"] == pytest.approx(at_gauge)
