"""Weights of gaugings and the scatter beyond their uncertainties, by algebra."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.gaugings import precision, remnant
from stillwell.hydrometry.rating.shape import FitChoices

SIGNS = np.array([1.0, -1.0, 1.0, -1.0])


def test_the_scatter_beyond_an_uncertainty_that_all_share():
    """With one u for all, sum w d^2/(u^2 + r^2) = f gives r^2 = sum w d^2/f - u^2; 0 where the scatter is within u."""
    weight = np.array([1.0, 0.5, 1.0, 0.5])
    alike = np.full(4, 0.03)
    assert remnant(0.1 * SIGNS, alike, weight, 2.0) == pytest.approx(np.sqrt(0.03 / 2 - 0.03**2))
    assert remnant(0.01 * SIGNS, alike, weight, 3.0) == 0.0
    assert remnant(3.0 * SIGNS, alike, weight, 2.0) == pytest.approx(np.sqrt(3 * 9 / 2 - 0.03**2))


def test_the_scatter_beyond_uncertainties_that_differ():
    """The r found puts the weighted sum of squares at the degrees of freedom."""
    u, d = np.array([0.01, 0.02, 0.05, 0.1]), 0.08 * SIGNS
    r = remnant(d, u, np.ones(4), 3.0)
    assert r > 0
    assert (d**2 / (u**2 + r**2)).sum() == pytest.approx(3.0)


def test_without_uncertainties_all_scatter_is_the_remnant():
    """Of unknown u, r is the root of the mean square over the degrees of freedom, and all weigh alike."""
    unknown = np.full(4, np.nan)
    assert remnant(0.1 * SIGNS, unknown, np.ones(4), 2.0) == pytest.approx(np.sqrt(4 * 0.01 / 2))
    assert precision(unknown, 0.1, np.ones(4)).tolist() == [1.0] * 4


def test_weights_go_with_the_inverse_of_both_variances_and_average_one():
    """For u of 0.03 and 0.04 the weights are as 16 to 9 without r, as 32 to 25 with r of 0.04; their mean is 1."""
    u, share = np.array([0.03, 0.04]), np.array([1.0, 3.0])
    weights = precision(u, 0.0, share)
    assert weights[0] / weights[1] == pytest.approx(16 / 9)
    assert (share * weights).sum() == pytest.approx(share.sum())
    assert precision(u, 0.04, share)[0] / precision(u, 0.04, share)[1] == pytest.approx(0.0032 / 0.0025)


@pytest.mark.parametrize("loss", ["tukey", "huber", "none"])
def test_the_standard_error_of_a_rating_is_the_scatter_of_its_gaugings(loss):
    """Of 200 gaugings that scatter by 5 %, within three times its own uncertainty of 1/sqrt(400), whatever the loss."""
    rng = np.random.default_rng(5)
    stage = 0.3 + 3 * rng.beta(1, 2, 200)
    discharge = 8 * (stage - 0.2) ** 2 * np.exp(0.05 * rng.normal(size=200))
    found = fit(stage, discharge, choices=FitChoices(segments=1, loss=loss))
    assert found.standard_error == pytest.approx(0.05, rel=3 / 20)


def test_notes_and_errors_call_a_gauging_by_its_name():
    """A repeated gauging is noted by both names, one that cannot take part is refused by its own; else by its row."""
    stage = np.array([0.4, 0.6, 0.8, 1.0, 1.3, 1.6, 1.6])
    flow = 5 * (stage - 0.1) ** 1.6
    names = np.array([f"G{i}" for i in range(stage.size)], dtype=object)
    assert any(note.startswith("G6 repeats G5:") for note in fit(stage, flow, name=names).notes)
    assert any(note.startswith("row 6 repeats row 5:") for note in fit(stage, flow).notes)
    with pytest.raises(RatingError, match="in G2: reversed flow"):
        fit(stage, np.where(names == "G2", -flow, flow), name=names)
