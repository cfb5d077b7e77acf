"""Do the bands of a rating hold the truth as often as they say: an invented site, gauged again and again."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.law import softened
from stillwell.hydrometry.rating.shape import FitChoices

SITE = np.array([np.log(8.0), 2.2, 1.6, 2.4, 0.2, 0.35, 0.9, 0.9, 2.2])


def coverage(seasons, gaugings=60, first=0, law=SITE, outliers=0.0, **given):
    """How often 95 % limits hold the truth and one more gauging, and how often segments are counted right."""
    held, further, right = [], [], []
    for season in range(first, first + seasons):
        rng = np.random.default_rng(season)
        stage = 0.3 + 3.7 * rng.beta(1, 2, gaugings)
        wrong = (rng.random(gaugings) < outliers) * rng.choice([-1, 1], gaugings) * rng.uniform(0.3, 1.0, gaugings)
        noise = 0.05 * rng.normal(size=gaugings) + wrong
        got = fit(stage, np.exp(rl.log_discharge(law[None, :], stage)[0] + noise), choices=FitChoices(**given))
        at = np.linspace(0.35, 3.9, 40)
        at = at[(at >= stage.min()) & (at <= stage.max())]
        truth = np.exp(rl.log_discharge(law[None, :], at)[0])
        band = got.band(at)
        new = truth * np.exp(0.05 * rng.normal(size=at.size))
        held.append((band.lower <= truth) & (truth <= band.upper))
        further.append((band.gauging_lower <= new) & (new <= band.gauging_upper))
        right.append(got.curve.lower_m.size == rl.segments(law))
    return np.concatenate(held).mean(), np.concatenate(further).mean(), float(np.mean(right))


def test_limits_hold_the_truth():
    """Of 25 seasons of 60 gaugings, three segments given, the 95 % limits hold the truth about so often."""
    held, further, _ = coverage(25, segments=3)
    assert 0.86 < held <= 1
    assert 0.91 < further <= 0.99


@pytest.mark.soak
def test_limits_hold_the_truth_in_many_seasons():
    """Of 400 seasons, segments found or given, with and without outliers: see docs/ratings.md."""
    for given, outliers, least in (({"segments": 3}, 0.0, 0.90), ({}, 0.0, 0.88), ({"segments": 3}, 0.05, 0.88)):
        held, further, _ = coverage(400, outliers=outliers, **given)
        assert held > least
        assert abs(further - 0.95) < 0.03


def test_a_doubtful_break_moves_the_curve_by_what_its_law_says():
    """Mean and root mean square of ``min(b', h) - min(b, h)``, b' normal about b, integrated by steps.

    The jump of slope is the difference quotient of ln Q well above the break.
    """
    b, s, law = 1.0, 0.1, np.array([np.log(8.0), 2.5, 1.6, 0.2, 0.4, 1.0])
    at = np.array([0.7, 0.85, 1.0, 1.05, 1.2, 1.35])
    moved = np.linspace(b - 8 * s, b + 8 * s, 80_001)
    weight = np.exp(-0.5 * ((moved - b) / s) ** 2)
    weight /= weight.sum()
    up, down = (rl.log_discharge((law + np.eye(6)[5] * d)[None, :], np.array([3.0]))[0, 0] for d in (1e-6, -1e-6))
    jump = (up - down) / 2e-6
    mean = np.array([(weight * (moved < h)).sum() for h in at])
    square = np.array([(weight * (np.minimum(moved, h) - min(b, h)) ** 2).sum() for h in at])
    doubt = np.array([s])
    np.testing.assert_allclose(mean * jump, softened(law, at, doubt, square=False)[:, -1], rtol=2e-3)
    np.testing.assert_allclose(np.sqrt(square) / s * jump, softened(law, at, doubt, square=True)[:, -1], rtol=2e-3)
