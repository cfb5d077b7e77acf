"""Tests of fairness: their statistics by hand and how often they cry wolf."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.rating import residual_tests


def test_statistics_by_hand():
    """10 departures, 9 above, 2 changes of sign: t_sign = 3.5/sqrt(2.5), t_runs = 2/1.5; a zero is dropped."""
    departs = np.array([1, 2, 3, 4, -1, 1, 2, 3, 4, 0, 5.0])
    assert residual_tests.signs(departs).statistic == pytest.approx(3.5 / np.sqrt(2.5))
    assert not residual_tests.signs(departs).passed
    assert residual_tests.runs(departs).statistic == pytest.approx(2.0 / 1.5)
    assert residual_tests.bias(np.array([1.0, 3.0])).statistic == pytest.approx(2.0 / (np.sqrt(2) / np.sqrt(2)))


def test_new_against_old_is_students_two_samples():
    """The statistic is scipy's two-sample t with pooled variance."""
    from scipy import stats

    rng = np.random.default_rng(3)
    new, old = rng.normal(4, 5, 6), rng.normal(0, 5, 20)
    expected = abs(stats.ttest_ind(new, old).statistic)
    assert residual_tests.new_against_old(new, old).statistic == pytest.approx(expected)


def test_too_few_say_nothing():
    """One gauging, or none, passes with words, not with a number."""
    for verdict in (
        *residual_tests.verdicts(np.zeros(0), np.zeros(0)),
        residual_tests.new_against_old(np.ones(1), np.ones(1)),
    ):
        assert verdict.passed
        assert np.isnan(verdict.statistic)
        assert "too few" in verdict.sentence


def test_chance_is_let_pass_about_as_often_as_said():
    """Of 2,000 series without any fault each test objects to no more than 7 %, bias to 5 % give or take."""
    rng = np.random.default_rng(9)
    found = np.array(
        [[not v.passed for v in residual_tests.verdicts(np.arange(20.0), rng.normal(0, 5, 20))] for _ in range(2000)]
    )
    assert (found.mean(axis=0) < 0.07).all()
    assert found[:, 2].mean() == pytest.approx(0.05, abs=0.015)


def test_critical_values_are_those_of_the_tables():
    """Two-sided at 95 %: 1.960 of the normal, 12.706, 4.303 and 3.182 of Student's t at 1, 2 and 3; 1.645 at 90 %."""
    two, three, four = np.array([1.0, 3.0]), np.array([1.0, 2.0, 4.0]), np.array([1.0, -1.0, 2.0, 4.0])
    assert residual_tests.signs(four).critical == pytest.approx(1.960, abs=5e-4)
    assert residual_tests.runs(four).critical == pytest.approx(1.960, abs=5e-4)
    assert residual_tests.signs(four, 90).critical == pytest.approx(1.645, abs=5e-4)
    assert residual_tests.bias(two).critical == pytest.approx(12.706, abs=5e-4)
    assert residual_tests.bias(three).critical == pytest.approx(4.303, abs=5e-4)
    assert residual_tests.new_against_old(three, two).critical == pytest.approx(3.182, abs=5e-4)
