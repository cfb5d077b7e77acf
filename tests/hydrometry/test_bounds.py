"""Between which bounds a rating is sought, and in which order verticals stand, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from stillwell.errors import RatingError
from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging.section import Section, _fill, edges_pair, on_dry_ground, position_order
from stillwell.hydrometry.grouped import Groups, in_order, sorted_rows
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.gaugings import gathered
from stillwell.hydrometry.rating.shape import FitChoices, Shape, bounds, task_of
from stillwell.hydrometry.rating.solve import _step
from stillwell.hydrometry.rating.start import _zero_sets
from tests.making import computed, one_point_section, points

INF, NAN = np.inf, np.nan


def _gaugings(dry=()):
    """Gauge at 1, 2 and 3 m, and see no flow at some stages."""
    stage = np.r_[1.0, 2.0, 3.0, dry]
    discharge = np.r_[1.0, 4.0, 9.0, np.zeros(len(dry))]
    rows = np.arange(stage.size)
    return gathered(stage, discharge, np.full(stage.size, np.nan), rows.astype(object), rows >= 0)


def _shape(count, *, own=True, zero=None):
    return Shape(count, own, np.full(count, np.nan) if zero is None else np.array(zero), np.zeros(0))


@pytest.mark.parametrize(
    ("dry", "asked", "low", "high"),
    [((), (-INF, INF), -10.0, -0.001), ((0.5,), (-INF, INF), -0.25, -0.001), ((0.5,), (0.2, 0.8), -0.25, -0.1),
     ((0.1,), (0.2, 0.8), -0.4, -0.1), ((0.999,), (-INF, INF), -0.0005, -0.00025), ((), (0.5, 2.0), -0.25, -0.001)],
)  # fmt: skip
def test_the_lowest_zero_lies_below_the_lowest_gauging_and_above_what_was_dry(dry, asked, low, high):
    """In ranges of 2 m from 1 m on: from the higher of two lower bounds to just below the lowest gauging."""
    lower, upper = bounds(_gaugings(dry), FitChoices(zero_bounds_m=asked, exponents=(0.5, 5.0)), _shape(2))
    assert (lower[3], upper[3]) == pytest.approx((low, high))
    np.testing.assert_array_equal(lower, [-INF, 0.5, 0.5, lower[3], -10.0, 0.0])
    np.testing.assert_array_equal(upper, [INF, 5.0, 5.0, upper[3], 1.0, 1.0])


def test_zeros_that_are_shared_or_given():
    """Shared ones have the bounds of the lowest; a segment takes over above its given zero, a thousandth at least."""
    lower, upper = bounds(_gaugings((0.5,)), FitChoices(), _shape(3, own=False))
    assert lower[4:7].tolist() == [-0.25] * 3
    assert upper[4:7].tolist() == pytest.approx([-0.001] * 3)
    lower, upper = bounds(_gaugings(), FitChoices(), _shape(3, zero=[-0.1, 0.2, 0.3]))
    assert lower[7:].tolist() == pytest.approx([0.201, 0.301])
    assert upper[7:].tolist() == [1.0, 1.0]


@pytest.mark.parametrize(("dry", "asked"), [((0.9,), (0.2, 0.8)), ((), (1.5, 2.0)), ((0.9995,), (0.2, 0.9))])
def test_bounds_that_leave_nothing_are_refused(dry, asked):
    """Above what was asked no zero may lie, below what was dry none may."""
    with pytest.raises(RatingError, match="there is none, so no rating is made"):
        bounds(_gaugings(dry), FitChoices(zero_bounds_m=asked), _shape(1))


@pytest.mark.parametrize(
    ("g", "position", "depth", "walked", "order"),
    [
        ([0, 0, 1, 1], [0, 1, 0, 1], [1, 1, 1, 1], [1, 2, 1, 2], [0, 1, 2, 3]),
        ([0, 0, 1, 1], [0, 1, 2, 1], [1, 1, 1, 1], [1, 2, 1, 2], [0, 1, 3, 2]),
        ([0, 0, 1, 1], [2, 1, 1, 2], [1, 1, 1, 1], [1, 2, 1, 2], [1, 0, 2, 3]),
        ([0, 0, 0, 1, 1, 1], [0, 2, 1, 9, 3, 6], [1] * 6, [1, 2, 3] * 2, [0, 2, 1, 4, 5, 3]),
        ([0, 0], [1, 0], [1, 1], [1, 2], [1, 0]),
        ([0], [5], [1], [1], [0]),
        ([], [], [], [], []),
    ],
)  # fmt: skip
def test_each_gauging_of_a_batch_is_put_in_order_by_itself(g, position, depth, walked, order):
    """From the start of the tag line on, whichever way it was walked; gaugings stay in the order they came."""
    numbers = [np.array(values, dtype=kind) for values, kind in zip((g, position, depth, walked), "iffi", strict=True)]
    assert position_order(*numbers).tolist() == order


@pytest.mark.parametrize(
    ("depth", "order"), [([0, 1, 1, 0.5, 0], [0, 1, 2, 3, 4]), ([1, 0, 1, 0, 0.5], [1, 0, 2, 4, 3])]
)
def test_of_two_edges_at_one_place_the_deeper_faces_the_water(depth, order):
    """A wall at either end: dry first, then its foot, and at the far end its foot, then dry."""
    g, walked = np.zeros(5, dtype=int), np.arange(1, 6)
    assert position_order(g, np.array([0.0, 0, 1, 2, 2]), np.array(depth), walked).tolist() == order


@pytest.mark.parametrize(
    ("kinds", "position", "pairs", "dry"),
    [
        ("EWWE", [0, 1, 2, 3], True, ""),
        ("EEWWE", [0, 0, 1, 2, 3], True, ""),  # a wall at the start
        ("EWWEE", [0, 1, 2, 3, 3], True, ""),
        ("EWEWEWE", [0, 1, 2, 3, 4, 5, 6], True, "3"),  # dry ground between two channels
        ("EWEEWE", [0, 1, 2, 3, 4, 5], True, ""),
        ("EWEW", [0, 1, 2, 3], False, "3"),  # closed, and yet it goes on
        ("WWE", [0, 1, 2], True, ""),  # water that goes on
        ("WEEW", [0, 1, 2, 3], True, ""),
        ("WEW", [0, 1, 2], False, "2"),
        ("E", [0], False, ""),
    ],
)  # fmt: skip
def test_edges_close_and_open_channels_in_turn(kinds, position, pairs, dry):
    """Between an edge that closes and one that opens lies dry ground; two edges at one place at an end are a wall."""
    edge, one = np.array([kind == "E" for kind in kinds]), Groups(np.array([0]), len(kinds))
    place = np.array(position, dtype=float)
    assert edges_pair(one, place, edge).tolist() == [pairs]
    assert "".join(str(i) for i in np.flatnonzero(on_dry_ground(one, place, edge))) == dry
    both, twice = Groups(np.array([0, len(kinds)]), 2 * len(kinds)), np.r_[edge, edge]
    assert edges_pair(both, np.r_[place, place], twice).tolist() == [pairs, pairs]


@pytest.mark.parametrize(("count", "made"), [(3, False), (4, True)])
def test_a_rating_needs_one_visit_more_than_it_has_numbers(count, made):
    """Coefficient, exponent and zero of one segment are three numbers: four visits make it, three do not."""
    stage = np.array([1.0, 1.5, 2.2, 3.0])[:count]
    discharge = 8 * (stage - 0.2) ** 2
    if made:
        assert fit(stage, discharge, choices=FitChoices(segments=1)).curve.exponent == pytest.approx([2.0], abs=1e-3)
    else:
        with pytest.raises(RatingError, match="more visits than numbers to fit expected"):
            fit(stage, discharge, choices=FitChoices(segments=1))


@pytest.mark.parametrize(
    ("keys", "sorted_"),
    [(([],), True), (([1],), True), (([1, 2],), True), (([2, 1],), False), (([1, 1],), True), (([1, NAN],), False),
     (([1, 1, 2], [2, 3, 1]), True), (([1, 1, 2], [3, 2, 1]), False), (([2, 1], [1, 2]), False)],
)  # fmt: skip
def test_rows_in_order_are_told_from_others(keys, sorted_):
    """By the first key, then the second; a missing value is in no order."""
    arrays = [np.array(key, dtype=float) for key in keys]
    assert in_order(*arrays) == sorted_
    rows = pd.DataFrame(dict(enumerate(arrays)))
    if not np.isnan(arrays[0]).any():
        expected = rows.sort_values(list(rows.columns), ignore_index=True)
        pd.testing.assert_frame_equal(sorted_rows(rows, *arrays), expected)


def test_upper_zeros_are_tried_on_the_way_to_the_break():
    """None of the way from the lowest zero, 0.45 and 0.8 of it, and never above the break."""
    task = task_of(_gaugings(), FitChoices(segments=2), _shape(2), np.ones(3))
    zeros, feet = _zero_sets(task, 2, True, np.array([[0.5]]), np.full(2, NAN))
    assert set(feet.ravel()) == {0.5}
    low = np.unique(zeros[:, 0])
    assert low.size > 5
    assert low.max() == -0.001
    tried = {(first, round(first + way * (0.5 - first), 9)) for first in low for way in (0.0, 0.45, 0.8)}
    assert {(first, round(second, 9)) for first, second in zeros} == tried


def test_verticals_stand_by_their_place_whichever_way_they_were_walked():
    """Panels of 1.5 m over 1 and 2 m at 0.5 and 1 m/s carry 0.75 and 3 m3/s, walked from either bank or to and fro."""
    place, depth, velocity = np.array([0.0, 1, 3, 4]), np.array([0.0, 1, 2, 0]), np.array([0.0, 0.5, 1, 0])
    for order in ([0, 1, 2, 3], [3, 2, 1, 0]):
        made = computed(one_point_section(place[order], depth[order], velocity[order]))
        assert made.verticals["position_m"].tolist() == [0, 1, 3, 4]
        assert made.verticals["discharge_m3_s"].tolist() == pytest.approx([0, 0.75, 3, 0])
        assert made.verticals["order_walked"].tolist() == [order.index(i) + 1 for i in range(4)]


@pytest.mark.parametrize(("bound", "at", "moves"), [((0.3, 2.0), 2.0, 0), ((3.5, 6.0), 3.5, 0), ((0.3, 2.9), 2.0, 1)])
def test_a_number_that_presses_against_its_bound_stays(bound, at, moves):
    """Gaugings on a law of exponent 3: at an upper bound of 2 or a lower one of 3.5 it stays, between it goes up."""
    stage = np.array([1.0, 1.4, 1.9, 2.5, 3.0])
    rows = np.arange(5)
    gauged = gathered(stage, (stage - 0.5) ** 3, np.full(5, NAN), rows.astype(object), rows >= 0)
    task = task_of(
        gauged, FitChoices(segments=1, exponents=bound, zero_stage_m=(0.5,)), _shape(1, zero=[-0.25]), np.ones(5)
    )
    law = np.array([[0.0, at, -0.25]])
    stepped = _step(task, law, np.ones((1, 5)), np.array([1e-3]))
    assert np.sign(stepped[0, 1] - at) == moves
    assert bound[0] <= stepped[0, 1] <= bound[1]
    assert stepped[0, 2] == -0.25


def test_a_missing_velocity_is_not_taken_from_another_gauging():
    """Beside 0.5 m/s at the open end of a gauging it is that, whatever the one vertical of the next gauging says."""
    section = Section(
        groups=Groups(np.array([0, 3]), 4), position=np.array([0.0, 1, 2, 0]),
        depth=np.array([0.0, 1, 1, 1]), velocity=np.array([0.0, 0.5, NAN, 5.0]),
        edge=np.array([True, False, False, False]), ratio=np.full(4, NAN), mean_section=np.zeros(2, dtype=bool),
    )  # fmt: skip
    velocity, missing = _fill(section, np.ones(4, dtype=int))
    assert velocity.tolist() == [0.0, 0.5, 0.5, 5.0]
    assert missing.tolist() == [False, False, True, False]


def test_a_missing_velocity_lies_on_the_line_between_its_neighbours_in_every_gauging():
    """At 1 of 0 to 4 m between 1 and 3 m/s: 1.5 m/s, in the first gauging and in the next."""
    section = Section(
        groups=Groups(np.array([0, 3]), 6), position=np.tile([0.0, 1.0, 4.0], 2), depth=np.ones(6),
        velocity=np.tile([1.0, NAN, 3.0], 2), edge=np.zeros(6, dtype=bool), ratio=np.full(6, NAN),
        mean_section=np.zeros(2, dtype=bool),
    )  # fmt: skip
    velocity, missing = _fill(section, np.ones(6, dtype=int))
    assert velocity.tolist() == [1.0, 1.5, 3.0] * 2
    assert missing.tolist() == [False, True, False] * 2


def test_between_dry_verticals_alone_no_velocity_is_made_up():
    """Still water said at two dry places says nothing of the water between them."""
    section = Section(
        groups=Groups(np.array([0]), 3), position=np.array([0.0, 1.0, 2.0]),
        depth=np.array([0.0, 1.0, 0.0]), velocity=np.array([0.0, NAN, 0.0]), edge=np.zeros(3, dtype=bool),
        ratio=np.full(3, NAN), mean_section=np.zeros(1, dtype=bool),
    )  # fmt: skip
    velocity, missing = _fill(section, np.ones(3, dtype=int))
    assert np.isnan(velocity[1])
    assert missing.tolist() == [False, True, False]


@pytest.mark.parametrize("m", [4.0, 6.0])
def test_a_wall_by_the_power_law_has_the_mean_of_its_half_strip(m):
    """Of ``v (x/L)^(1/m)`` between the wall and half way to the next vertical, by quadrature."""
    rows = [
        {"position_m": 0.0, "depth_m": 1.0, "kind": "edge"},
        {"position_m": 2.0, "depth_m": 1.0, "relative_depth": 0.6, "velocity_m_s": 0.8},
        {"position_m": 4.0, "depth_m": 0.0, "kind": "edge"},
    ]
    made = computed(points(rows), choices=Choices(edge_rule="power law", edge_exponent=m))
    mean = quad(lambda x: 0.8 * (x / 2.0) ** (1 / m), 0.0, 1.0)[0] / 1.0
    assert made.verticals["mean_velocity_m_s"].iloc[0] == pytest.approx(mean, rel=1e-6)
