"""Laws of both uncertainties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.choices import Choices
from tests.making import computed, gaugings, one_point_section, points

X = np.arange(22.0)


def _section(v=None, d=None, **said):
    d = np.r_[0, np.full(20, 1.0), 0] if d is None else d
    v = np.full(22, 0.5) if v is None else v
    return one_point_section(X, d, v, exposure_s=60.0, **said)


def _made(section, **how):
    made = computed(section, **how)
    return made.results.iloc[0], made.budget


@given(st.floats(0.1, 10))
def test_scale_of_the_river_scales_the_scatter(factor):
    """Scaling every depth scales the uncertainty from scatter with the discharge."""
    rng = np.random.default_rng(1)
    d = np.r_[0, rng.uniform(0.5, 1.5, 20), 0]
    one, _ = _made(_section(d=d))
    other, _ = _made(_section(d=d * factor))
    assert other["uncertainty_scatter_m3_s"] == pytest.approx(factor * one["uncertainty_scatter_m3_s"], rel=1e-9)


@given(st.integers(0, 2**31))
def test_reversal_changes_neither(seed):
    """The section from the other bank is as uncertain."""
    rng = np.random.default_rng(seed)
    section = _section(rng.uniform(0.1, 1, 22), np.r_[0, rng.uniform(0.2, 2, 20), 0])
    back = section.iloc[::-1].reset_index(drop=True)
    back = back.assign(vertical=section["vertical"], position_m=30 - back["position_m"])
    one, other = _made(section)[0], _made(back)[0]
    for name in ("uncertainty_table_m3_s", "uncertainty_scatter_m3_s"):
        assert other[name] == pytest.approx(one[name], rel=1e-9)


def test_what_is_linear_has_no_scatter():
    """Depth and velocity on straight lines leave no residual."""
    result, _ = _made(_section(np.linspace(0.2, 0.9, 22), np.r_[0, np.linspace(0.5, 1.5, 20), 0]))
    assert result["uncertainty_scatter_m3_s"] == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("better", "worse"),
    [
        ({"exposure_s": 120.0}, {"exposure_s": 30.0}),
        ({"v": np.full(22, 1.0)}, {"v": np.full(22, 0.1)}),
    ],
)
def test_longer_and_faster_is_surer(better, worse):
    """The tables fall with time and velocity."""

    def share(said):
        section = _section(said.get("v"))
        if "exposure_s" in said:
            section = section.assign(exposure_s=said["exposure_s"])
        return _made(section)[0]["uncertainty_table_pct"]

    assert share(better) < share(worse)


def test_more_verticals_and_two_points_are_surer():
    """Few verticals and one point cost most."""
    few = one_point_section([0, 5, 10, 15, 21], [0, 1, 1, 1, 0], [0, 0.5, 0.5, 0.5, 0], exposure_s=60.0)
    many, _ = _made(_section())
    assert _made(few)[0]["uncertainty_table_pct"] > 2 * many["uncertainty_table_pct"]
    rows = [{"vertical": 1, "position_m": 0, "depth_m": 0, "kind": "edge"}]
    for i in range(1, 21):
        at = {"vertical": i + 1, "position_m": float(i), "depth_m": 1.0, "exposure_s": 60.0, "velocity_m_s": 0.5}
        rows += [at | {"relative_depth": 0.2}, at | {"relative_depth": 0.8}]
    rows.append({"vertical": 22, "position_m": 21, "depth_m": 0, "kind": "edge"})
    assert computed(points(rows)).results["uncertainty_table_pct"].iloc[0] < many["uncertainty_table_pct"]


def test_at_zero_and_reversed_flow_the_absolute_value_stands():
    """Still water and flows that cancel have an uncertainty in m3/s and none in percent; reversed flow has both."""
    still, _ = _made(_section(np.zeros(22)))
    assert still["discharge_m3_s"] == 0
    assert still["uncertainty_table_m3_s"] == 0
    assert np.isnan(still["uncertainty_table_pct"])
    v = np.full(22, 0.5)
    v[11:] = -0.5
    cancelled, _ = _made(_section(v))
    assert cancelled["uncertainty_table_m3_s"] > 0
    assert np.isnan(cancelled["uncertainty_table_pct"])
    reversed_, _ = _made(_section(np.full(22, -0.5)))
    assert reversed_["uncertainty_table_pct"] == pytest.approx(_made(_section())[0]["uncertainty_table_pct"])


def test_the_budget_makes_the_whole():
    """Components combine in quadrature, their shares of the variance make 100 %."""
    result, budget = _made(_section())
    standard = result["uncertainty_table_m3_s"] / 2
    assert np.sqrt((budget["standard_m3_s"] ** 2).sum()) == pytest.approx(standard)
    assert budget["variance_pct"].sum() == pytest.approx(100)
    assert len(budget) == 7


def test_too_few_verticals_have_no_scatter():
    """Two inner neighbours say nothing about scatter; the tables still speak."""
    result, _ = _made(one_point_section([0, 1, 2, 3, 4], [0, 1, 1, 1, 0], [0, 0.5, 0.6, 0.5, 0]))
    assert np.isnan(result["uncertainty_scatter_m3_s"])
    assert result["uncertainty_table_m3_s"] > 0


def test_no_points_no_uncertainty_of_ours():
    """A result as handed in has no uncertainty computed."""
    made = computed(_section().iloc[:0], gaugings(1, discharge_m3_s=3.0, method="float"))
    assert made.results[["uncertainty_table_m3_s", "uncertainty_scatter_m3_s"]].isna().all(axis=None)
    assert made.budget.empty


def test_the_floor_of_the_policy_hides_percentages():
    """Below the office's floor no percentage is given."""
    section = _section(np.full(22, 1e-5))
    assert np.isnan(_made(section)[0]["uncertainty_table_pct"])
    assert _made(section, choices=Choices(discharge_floor_m3_s=0.0))[0]["uncertainty_table_pct"] > 0
