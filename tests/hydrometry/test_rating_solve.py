"""How a rating is sought, by algebra: one step, one refinement, which shapes are tried and from where."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating import residual_tests
from stillwell.hydrometry.rating.band import band
from stillwell.hydrometry.rating.bayes import KINDS, Control, _belief, _walkers, sample
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.gaugings import gathered
from stillwell.hydrometry.rating.shape import FitChoices, Shape, shapes, task_of
from stillwell.hydrometry.rating.solve import Task, _step, refine
from stillwell.hydrometry.rating.start import _zero_sets

INF, NAN = np.inf, np.nan
STAGE = np.array([0.5, 0.8, 1.2, 1.9, 3.0])
OFF = np.array([0.05, -0.02, 0.04, -0.06, 0.03])


def _task(log_q, free=None, upper=(INF, 6.0, -1e-3), **said):
    """Make a task of one segment, its zero at 0: ln Q = ln C + beta ln h."""
    size = STAGE.size
    plain = {"precision": np.ones(size), "share": np.ones(size), "fewest": 1.0, "loss": "none"}
    return Task(
        stage=STAGE, log_q=log_q, free=np.eye(3)[:, :2] if free is None else free,
        lower=np.array([-INF, 0.3, -10.0]), upper=np.array(upper), **(plain | said),
    )  # fmt: skip


def _gauged(stage=STAGE, u=None, dry=()):
    """Gauge ``8 (h - 0.2)^2`` at some stages, and see no flow at others."""
    every = np.r_[stage, dry]
    flow = np.r_[8 * (np.asarray(stage) - 0.2) ** 2, np.zeros(len(dry))]
    rows = np.arange(every.size)
    return gathered(every, flow, np.full(every.size, NAN) if u is None else u, rows.astype(object), rows >= 0)


@pytest.mark.parametrize("damping", [0.0, 0.5, 3.0])
def test_a_damped_step_is_the_whole_step_over_one_more_than_the_damping(damping):
    """With ln C alone free and all ln Q higher by 0.7, damping d moves ln C by 0.7/(1 + d), for 5 gaugings or any."""
    task = _task(2.0 * np.log(STAGE) + 0.7, free=np.eye(3)[:, :1])
    stepped = _step(task, np.array([[0.0, 2.0, 0.0]]), np.ones((1, 5)), np.array([damping]))
    np.testing.assert_allclose(stepped, [[0.7 / (1 + damping), 2.0, 0.0]], rtol=1e-12)


def test_beside_a_number_on_its_bound_the_others_step_as_if_it_were_given():
    """With the exponent on its upper bound and pulled up a little, ln C takes its own whole step: the mean residual."""
    task = _task(2.0 * np.log(STAGE) + 0.1 * STAGE, upper=(INF, 2.0, -1e-3))
    residual = 0.1 * STAGE
    assert 0 < (residual * np.log(STAGE)).sum() < 1
    stepped = _step(task, np.array([[0.0, 2.0, 0.0]]), np.ones((1, 5)), np.zeros(1))
    np.testing.assert_allclose(stepped, [[residual.mean(), 2.0, 0.0]], rtol=1e-12)


def test_a_number_on_its_bound_that_nothing_pulls_over_it_may_leave_it():
    """Off by 0.3 at 1 m alone, where ln h is 0, nothing pulls the exponent on its bound: the step is numpy's line."""
    stage, law = np.array([0.5, 0.8, 1.0, 1.9, 3.0]), np.array([[0.0, 2.0, 0.0]])
    log_q = rl.log_discharge(law, stage)[0] + np.array([0, 0, 0.3, 0, 0])
    task = replace(_task(log_q, upper=(INF, 2.0, -1e-3)), stage=stage)
    slope, level = np.polyfit(np.log(stage), log_q, 1)
    assert slope < 2.0
    np.testing.assert_allclose(_step(task, law, np.ones((1, 5)), np.zeros(1)), [[level, slope, 0.0]], rtol=1e-9)


def test_what_a_refinement_reached_is_the_cost_of_its_laws():
    """Half the sum of share times squared residuals in scales, before any step and after each."""
    share, law = np.array([1.0, 0.5, 0.5, 1.0, 1.0]), np.array([[0.0, 2.0, 0.0]])
    task = _task(2.0 * np.log(STAGE) + OFF, share=share)
    same, reached = refine(task, law, np.array([0.2]), "none", rounds=0)
    np.testing.assert_array_equal(same, law)
    np.testing.assert_allclose(reached, [(share * (OFF / 0.2) ** 2).sum() / 2], rtol=1e-12)
    better, reached = refine(task, law, np.array([0.2]), "none", rounds=1)
    left = task.log_q - better[0, 0] - better[0, 1] * np.log(STAGE)
    np.testing.assert_allclose(reached, [(share * (left / 0.2) ** 2).sum() / 2], rtol=1e-9)


def test_one_refinement_is_the_weighted_line():
    """Without a loss one round from anywhere reaches the line that numpy fits with weights share times precision."""
    share, precision = np.array([1.0, 0.5, 0.5, 1.0, 1.0]), np.array([2.0, 0.25, 4.0, 0.5, 1.0])
    task = _task(2.0 * np.log(STAGE) + OFF, share=share, precision=precision)
    laws, _ = refine(task, np.array([[3.0, 1.0, 0.0]]), np.ones(1), "none", rounds=1)
    slope, level = np.polyfit(np.log(STAGE), task.log_q, 1, w=np.sqrt(share * precision))
    np.testing.assert_allclose(laws, [[level, slope, 0.0]], rtol=1e-9)


def test_after_a_step_that_makes_it_worse_shorter_ones_are_tried():
    """From a zero far below, whole steps pass by ``8 h^0.7``; damped ones reach it, its zero 0.2 ranges down."""
    shape = Shape(1, True, np.full(1, NAN), np.zeros(0))
    rows = np.arange(5)
    gauged = gathered(STAGE, 8 * STAGE**0.7, np.full(5, NAN), rows.astype(object), rows >= 0)
    task = task_of(gauged, FitChoices(segments=1, loss="none"), shape, np.ones(5))
    laws, reached = refine(task, np.array([[0.0, 2.0, -2.0]]), np.ones(1), "none")
    assert laws[0, 1:] == pytest.approx([0.7, -0.2], abs=1e-6)
    assert reached[0] < 1e-15


@pytest.mark.parametrize(("zeros", "own"), [("shared", [False]), ("own", [True]), ("either", [False, True])])
def test_upper_zeros_are_shared_or_own_or_both_are_tried(zeros, own):
    """Of two segments; one segment, or zeros that are given, are tried once."""
    gauged = _gauged()
    assert [s.own for s in shapes(gauged, FitChoices(segments=2, zeros=zeros))] == own
    assert [s.own for s in shapes(gauged, FitChoices(segments=1, zeros=zeros))] == [False]
    assert [s.own for s in shapes(gauged, FitChoices(segments=2, zeros=zeros, zero_stage_m=(0.1,)))] == [False]


@pytest.mark.parametrize("at", [0.5, 3.0])
def test_a_break_lies_between_the_lowest_and_the_highest_gauging(at):
    """At either of them nothing is left of a segment; just inside it is taken."""
    inside = at + 0.01 * np.sign(1.0 - at)
    assert len(shapes(_gauged(), FitChoices(breaks_m=(inside,)))) == 1
    with pytest.raises(RatingError, match=r"breaks inside the gauged range 0\.500 to 3\.000 m"):
        shapes(_gauged(), FitChoices(breaks_m=(at,)))


@pytest.mark.parametrize(("count", "breaks", "fewest"), [(1, (), 1.0), (2, (), 4.0), (3, (), 4.0), (2, (0.4,), 1.0)])
def test_a_segment_needs_its_gaugings_where_there_are_several(count, breaks, fewest):
    """As many as are chosen where breaks are sought; one where there is one segment or the break is given."""
    shape = Shape(count, True, np.full(count, NAN), np.array(breaks))
    assert task_of(_gauged(), FitChoices(fewest=4.0), shape, np.ones(5)).fewest == fewest


def test_a_start_has_water_at_the_foot_of_each_segment():
    """Zero from 0.001 under the lowest gauging on and a foot 0.002 above it: the upper zero stays 0.001 under it."""
    task = task_of(_gauged(), FitChoices(segments=2), Shape(2, True, np.full(2, NAN), np.zeros(0)), np.ones(5))
    zeros, feet = _zero_sets(task, 2, True, np.array([[0.002]]), np.full(2, NAN))
    assert (feet == 0.002).all()
    assert zeros[:, 1].max() == pytest.approx(0.001, abs=1e-12)


def test_of_several_zeros_the_highest_counts():
    """No flow at 0.1, 0.3 and 0.2 m: below 0.3 m there is none."""
    gauged = _gauged(dry=(0.1, 0.3, 0.2))
    assert (gauged.highest_zero_m, gauged.zeros) == (0.3, 3)


def test_a_gauging_of_unknown_uncertainty_has_the_middle_one():
    """Of 2, 3 and 8 % the middle one is 3 %; where none is known none is given."""
    u = np.array([0.02, NAN, 0.08, NAN, 0.03])
    assert _gauged(u=u).uncertainty.tolist() == [0.02, 0.03, 0.08, 0.03, 0.03]
    assert np.isnan(_gauged().uncertainty).all()


def test_one_new_gauging_against_two_old_ones_has_one_degree_of_freedom():
    """5 % against 1 and 3 %: t = 3/sqrt(2 (1 + 1/2)) = sqrt(3), held against the 12.706 of one degree."""
    verdict = residual_tests.new_against_old(np.array([5.0]), np.array([1.0, 3.0]))
    assert verdict.statistic == pytest.approx(np.sqrt(3))
    assert verdict.critical == pytest.approx(12.706, abs=5e-4)
    assert verdict.passed


def test_limits_lie_as_far_above_as_below_in_logarithms():
    """``Q exp(+-t S)``: S 0.03 of the relation where only ln C is unsure, ``hypot(0.03, 0.04)`` of one more gauging."""
    known = np.diag([0.03**2, 0.0, 0.0])
    curve = Curve(np.array([0.2]), np.array([8.0]), np.array([0.2]), np.array([2.0]), known)
    made = band(curve, 0.04, 10.0, np.array([1.2, 2.2]))
    np.testing.assert_allclose(made.discharge, [8.0, 32.0])
    times = stats.t.ppf(0.975, 10)
    for name, share in (("lower", -0.03), ("upper", 0.03), ("gauging_lower", -0.05), ("gauging_upper", 0.05)):
        np.testing.assert_allclose(getattr(made, name), made.discharge * np.exp(times * share), rtol=1e-12)


@pytest.mark.parametrize(
    ("kind", "exponent"),
    [("rectangular section", 1 + 1 / 2), ("parabolic section", 1.5 + 1 / 2), ("triangular section", 2 + 1 / 2),
     ("channel", 1 + 2 / 3)],
)  # fmt: skip
def test_the_exponent_of_a_kind_is_that_of_its_area_and_velocity(kind, exponent):
    """Area goes with h, h^1.5 or h^2, velocity with h^(1/2) over a section and with h^(2/3) in a wide channel."""
    assert Control(kind, (0.2, 0.1)).believed[0] == pytest.approx(exponent)
    assert len(KINDS) == 4


LOW, UPPER = Control("channel", (0.2, 0.1)), Control("channel", (0.3, 0.1), (1.0, 0.1))


@pytest.mark.parametrize(
    ("controls", "words"),
    [((LOW, UPPER, UPPER, UPPER, UPPER), "one to four controls"), ((LOW, LOW), "every one but the lowest"),
     ((LOW, Control("channel", (0.3, 0.0), (1.0, 0.1))), "above 0"),
     ((LOW, Control("channel", (0.3, 0.1), (1.0, 0.0))), "above 0"),
     ((LOW, Control("", (0.3, 0.1), (1.0, 0.1), (2.0, 0.0))), "above 0")],
)  # fmt: skip
def test_each_of_several_beliefs_is_looked_at(controls, words):
    """Five controls, an upper one without a foot, one of several without doubt are refused; one to four are taken."""
    for count in (1, 2, 3, 4):
        assert _belief(_gauged(), (LOW, *[UPPER] * (count - 1)), 0.1).foot.shape == (2, count - 1)
    with pytest.raises(RatingError, match=words):
        _belief(_gauged(), controls, 0.1)


def test_walkers_start_within_what_is_believed():
    """Beliefs of 0.01 each: every number of every walker lies within five of them of what is believed."""
    controls = (Control("", (0.25, 0.01), None, (2.2, 0.01)), Control("", (0.5, 0.01), (1.1, 0.01), (1.4, 0.01)))
    walkers = _walkers(_belief(_gauged(), controls, 0.1), 32, np.random.default_rng(1), None)
    np.testing.assert_allclose(walkers[:, 1:6] - [2.2, 1.4, 0.25, 0.5, 1.1], 0.0, atol=0.05)


def test_an_ensemble_has_a_thousand_curves_where_no_number_is_asked_for():
    """However few steps are made; they begin where the middle gauging, 8 m3/s at 1.2 m, lies on the curve."""
    made = sample(STAGE, 8 * (STAGE - 0.2) ** 2, (Control("parabolic section", (0.2, 0.05)),), seed=1, steps=6)
    assert made.laws.shape == (1000, 3)
    assert made.interval(np.array([1.2]))[0] == pytest.approx([8.0], rel=0.05)
