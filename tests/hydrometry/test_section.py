"""Laws of sections that hold whatever the numbers are."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.choices import Choices
from tests.making import computed, gaugings, one_point_section, points

METHODS = ("mid-section", "mean-section")
CHOICES = (Choices(), Choices(edge_rule="power law"), Choices(edge_rule="triangular"))


@st.composite
def sections(draw):
    """Draw a section: increasing positions, depths, velocities of either sign, sloping or walled ends."""
    n = draw(st.integers(3, 12))
    steps = draw(st.lists(st.floats(0.05, 5), min_size=n - 1, max_size=n - 1))
    x = np.r_[0, np.cumsum(steps)]
    d = np.array(draw(st.lists(st.floats(0.05, 3), min_size=n, max_size=n)))
    v = np.array(draw(st.lists(st.floats(-0.5, 2), min_size=n, max_size=n)))
    for end in (0, -1):
        d[end] = draw(st.sampled_from([0.0, 0.4]))
    return one_point_section(x, d, v)


def _q(section, method="mid-section", choices=None, **said):
    return computed(section, gaugings(section_method=method, **said), choices=choices).results["discharge_m3_s"].iloc[0]


def _mirrored(section):
    """Walk the section from the other bank."""
    back = section.iloc[::-1].reset_index(drop=True)
    return back.assign(vertical=pd.array(range(1, len(back) + 1), dtype="Int64"), position_m=100 - back["position_m"])


@given(sections(), st.sampled_from(METHODS), st.sampled_from(CHOICES))
def test_reversal_changes_nothing(section, method, choices):
    """The same section measured from the other bank has the same discharge."""
    assert _q(_mirrored(section), method, choices) == pytest.approx(_q(section, method, choices), rel=1e-9, abs=1e-12)


@given(sections(), st.sampled_from(METHODS), st.floats(-500, 500))
def test_origin_of_the_tag_line_changes_nothing(section, method, shift):
    """Discharge does not depend on where the tag line begins."""
    moved = section.assign(position_m=section["position_m"] + shift)
    assert _q(moved, method) == pytest.approx(_q(section, method), rel=1e-8, abs=1e-10)


@given(sections(), st.sampled_from(METHODS), st.sampled_from(CHOICES), st.floats(-3, 3))
def test_discharge_is_linear_in_velocity(section, method, choices, factor):
    """Scaling every velocity scales the discharge."""
    scaled = section.assign(velocity_m_s=section["velocity_m_s"] * factor)
    assert _q(scaled, method, choices) == pytest.approx(factor * _q(section, method, choices), rel=1e-9, abs=1e-12)


@given(sections(), st.sampled_from(METHODS), st.permutations(range(12)))
def test_order_of_rows_changes_nothing(section, method, order):
    """Rows may be handed in in any order."""
    mixed = section.iloc[[i for i in order if i < len(section)]].reset_index(drop=True)
    assert _q(mixed, method) == _q(section, method)


@given(sections(), st.sampled_from(METHODS))
def test_parts_make_the_whole(section, method):
    """Panels add up to discharge and area, mid-section widths to the width, shares to 100 %."""
    made = computed(section, gaugings(section_method=method))
    result, panels = made.results.iloc[0], made.verticals
    assert result["discharge_m3_s"] == pytest.approx(panels["discharge_m3_s"].sum(), abs=1e-12)
    assert result["area_m2"] == pytest.approx(panels["area_m2"].sum())
    assert result["width_m"] == pytest.approx(panels["width_m"].sum())
    if panels["discharge_m3_s"].abs().sum() > 0:
        assert panels["share_pct"].sum() == pytest.approx(100)


def test_a_batch_is_its_gaugings_one_by_one():
    """Computing many gaugings together gives each what it gets alone."""
    shapes = [
        one_point_section([0, 1, 2, 4], [0, d, 2 * d, 0], [0, v, v / 2, 0]) for d in (0.3, 1.1) for v in (-0.2, 0.9)
    ]
    alone = [_q(shape) for shape in shapes]
    batch = pd.concat([shape.assign(g=i, gauging=f"G{i + 1}") for i, shape in enumerate(shapes)], ignore_index=True)
    together = computed(batch, gaugings(len(shapes))).results["discharge_m3_s"]
    assert alone == list(together)


def test_a_missing_edge_row_leaves_half_a_panel():
    """Without an edge at an end the vertical there carries only the half towards its neighbour."""
    section = one_point_section([0, 1, 2, 3], [0, 1, 1, 0], [0, 1, 1, 0]).iloc[:-1]
    made = computed(section)
    assert list(made.verticals["width_m"]) == [0.5, 1.0, 0.5]
    assert made.results["open_end"].iloc[0]
    assert not made.results["open_start"].iloc[0]


def test_a_missing_velocity_is_interpolated_and_marked():
    """A vertical without a velocity takes the straight line between its neighbours, and says so."""
    made = computed(one_point_section([0, 1, 2, 4, 5], [0, 1, 1, 1, 0], [0, 0.2, None, 0.8, 0]))
    assert list(made.verticals["mean_velocity_m_s"]) == pytest.approx([0, 0.2, 0.4, 0.8, 0])
    assert list(made.verticals["velocity_interpolated"]) == [False, False, True, False, False]


def test_a_dry_vertical_carries_nothing_and_cuts_no_channel():
    """A dry vertical has neither area nor discharge; the panels beside it reach half-way to it."""
    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        {"position_m": 1.0, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 1.0},
        {"position_m": 2.0, "depth_m": 0.0, "kind": "dry"},
        {"position_m": 3.0, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 1.0},
        {"position_m": 4.0, "depth_m": 0.0, "kind": "edge"},
    ]
    made = computed(points(rows))
    assert list(made.verticals["discharge_m3_s"]) == [0, 1, 0, 1, 0]


@pytest.mark.parametrize("ends", ["step first", "step last"])
def test_a_step_at_the_bank_is_one_edge(ends):
    """Two edges at one position at an end are a step in the bank; the deeper faces the water."""
    wall = {"kind": "edge", "velocity_m_s": 0.0}
    rows = [
        {"position_m": 0.0, "depth_m": 0.0, "kind": "edge"},
        {"position_m": 0.0, "depth_m": 1.0} | wall,
        {"position_m": 1.0, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 1.0},
        {"position_m": 2.0, "depth_m": 0.0, "kind": "edge"},
    ]
    if ends == "step last":
        rows = [row | {"position_m": 2 - row["position_m"]} for row in reversed(rows)]
    made = computed(points(rows)).results.iloc[0]
    assert made["area_m2"] == pytest.approx(1.5)
    assert made["discharge_m3_s"] == pytest.approx(1.0)
    assert made["width_m"] == pytest.approx(2.0)


def test_a_thin_wall_between_two_channels_closes_and_opens():
    """Two inner edges at one position part two channels with nothing between them."""
    rows = []
    for left in (0.0, 2.0):
        rows += [
            {"position_m": left, "depth_m": 1.0, "kind": "edge", "velocity_m_s": 0.5},
            {"position_m": left + 1, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 0.5},
            {"position_m": left + 2, "depth_m": 1.0, "kind": "edge", "velocity_m_s": 0.5},
        ]
    made = computed(points(rows))
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(2.0)
    assert list(made.verticals["channel"]) == [1, 1, 1, 2, 2, 2]


def test_no_velocity_anywhere_gives_no_discharge():
    """Water without any velocity has an area and no discharge; it is not zero."""
    made = computed(one_point_section([0, 1, 2], [0, 1, 0], [0, None, 0])).results.iloc[0]
    assert made["area_m2"] == pytest.approx(1.0)
    assert np.isnan(made["discharge_m3_s"])


@given(sections(), st.sampled_from(METHODS), st.floats(0.1, 0.9), st.integers(0, 20))
def test_a_vertical_added_on_the_line_changes_little(section, method, part, where):
    """A vertical with the depth and velocity of the straight line between its neighbours changes no area.

    The area of both methods is that under the line; the discharge of mean-section panels changes by the cross term of
    the strip that is cut, ``part (1 - part) (d_2 - d_1)(v_2 - v_1) L / 4``, an identity.
    """
    section = section.assign(kind="open", relative_depth=0.6, depth_m=section["depth_m"].clip(lower=0.05))
    rows = section.to_dict("records")
    i = where % (len(rows) - 1)
    one, other = rows[i], rows[i + 1]
    middle = {n: one[n] + part * (other[n] - one[n]) for n in ("position_m", "depth_m")}
    v = [0.3 if np.isnan(r["velocity_m_s"]) else r["velocity_m_s"] for r in rows]
    speed = v[i] + part * (v[i + 1] - v[i])
    before = [
        {"position_m": r["position_m"], "depth_m": r["depth_m"], "velocity_m_s": u}
        for r, u in zip(rows, v, strict=True)
    ]
    extra = [middle | {"velocity_m_s": speed}]
    said = {"kind": "edge"}
    before[0] |= said
    before[-1] |= said
    inner = {"relative_depth": 0.6}
    after = [*before[: i + 1], *extra, *before[i + 1 :]]
    tables = [points([r if r.get("kind") == "edge" else r | inner for r in rows_]) for rows_ in (before, after)]
    old, new = (computed(t, gaugings(section_method=method)).results.iloc[0] for t in tables)
    length = other["position_m"] - one["position_m"]
    assert new["width_m"] == pytest.approx(old["width_m"])
    if method == "mean-section":
        cross = part * (1 - part) * (other["depth_m"] - one["depth_m"]) * (v[i + 1] - v[i]) * length / 4
        assert new["area_m2"] == pytest.approx(old["area_m2"])
        assert new["discharge_m3_s"] - old["discharge_m3_s"] == pytest.approx(cross, abs=1e-9)


@given(sections())
def test_splitting_a_uniform_strip_changes_nothing(section):
    """Cutting every strip of a section of one depth and velocity leaves its discharge."""
    flat = section.assign(depth_m=1.0, velocity_m_s=0.5, kind="open", relative_depth=0.6)
    flat.loc[[0, len(flat) - 1], ["kind", "relative_depth"]] = ["edge", np.nan]
    rows = flat[["position_m", "depth_m", "velocity_m_s", "kind", "relative_depth"]].to_dict("records")
    cut = [rows[0]]
    for a, b in itertools.pairwise(rows):
        middle = {"position_m": (a["position_m"] + b["position_m"]) / 2, "kind": "open", "relative_depth": 0.6}
        cut += [{"depth_m": 1.0, "velocity_m_s": 0.5} | middle, b]
    width = rows[-1]["position_m"] - rows[0]["position_m"]
    assert _q(points(cut)) == pytest.approx(0.5 * width)
    assert _q(points(rows)) == pytest.approx(0.5 * width)


@pytest.mark.parametrize(
    ("x", "d", "v", "discharge"),
    [
        ([0, 1, 2], [0, 1, 0], [0, 1, 0], 1.0),
        ([0, 1, 2], [0, 0, 0], [0, None, 0], 0.0),
        ([0, 1, 2, 3], [0, 1, 1, 0], [0, 1, -1, 0], 0.0),
        ([0, 1, 2, 3], [0, 1, 1, 0], [0, -1, -1, 0], -2.0),
        ([0, 0, 0], [0, 0, 0], [0, None, 0], 0.0),
    ],
    ids=["one vertical", "all dry", "cancelling", "reversed", "no width"],
)
def test_strange_sections_give_a_number_and_no_warning(x, d, v, discharge):
    """One vertical, a dry bed, flows that cancel or run back, a section without width: a result, never a warning."""
    made = computed(one_point_section(x, d, v))
    assert made.results["discharge_m3_s"].iloc[0] == pytest.approx(discharge)
    assert not np.isinf(made.results.select_dtypes("number").to_numpy(dtype=float, na_value=0.0)).any()
