"""What an ensemble of ratings is drawn from: prior times likelihood by hand, where walkers start, and what is made."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from stillwell.hydrometry.rating.bayes import Control, _belief, _ensemble, _walkers
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.gaugings import gathered
from stillwell.hydrometry.rating.shape import FitChoices

LAW = np.array([np.log(8.0), 2.5, 1.67, 0.2, 0.35, 0.9])
"""ln C of the lowest segment, two exponents, two stages of zero flow, one break."""
STAGE = np.array([0.4, 0.6, 0.8, 1.2, 1.8, 2.5, 3.1])
SCATTER = np.array([0.03, -0.05, 0.02, 0.08, -0.04, 0.01, -0.02])
U = np.array([0.02, 0.03, 0.05, 0.04, 0.02, 0.03, 0.06])
VISIT = np.array(["a", "b", "c", "d", "e", "f", "f"], dtype=object)
CONTROLS = (Control("triangular section", (0.25, 0.1)), Control("", (0.3, 0.2), (1.0, 0.15), (1.6, 0.2)))
SCALE = 0.15


def _log_q(law, stage):
    """Compute ln Q of two segments that meet at a break, stage by stage."""
    first, one, two, low, high, foot = law
    within = np.minimum(stage, foot)
    return (
        first
        + one * np.log(within - low)
        + np.where(stage > foot, two * np.log((np.maximum(stage, foot) - high) / (foot - high)), 0)
    )


DISCHARGE = np.exp(_log_q(LAW, STAGE) + SCATTER)


def _believed(u=U, dry=()):
    stage, discharge = np.r_[STAGE, dry], np.r_[DISCHARGE, np.zeros(len(dry))]
    size = stage.size
    visit = np.r_[VISIT, [None] * len(dry)]
    given = np.r_[u, np.full(size - u.size, np.nan)]
    return _belief(gathered(stage, discharge, given, visit, np.ones(size, dtype=bool)), CONTROLS, SCALE)


def _by_hand(walker, u):
    """Log of the priors and of Student's t of 4 about the law; two gaugings of one visit count half each."""
    law, r = walker[:-1], np.exp(walker[-1])
    prior = stats.norm.logpdf(law[1:3], [2.5, 1.6], [0.15, 0.2]).sum()
    prior += stats.norm.logpdf(law[3:5], [0.25, 0.3], [0.1, 0.2]).sum() + stats.norm.logpdf(law[5], 1.0, 0.15)
    prior += stats.halfnorm.logpdf(r, scale=SCALE) + np.log(r)
    share = np.where(VISIT == "f", 0.5, 1.0)
    return prior + (share * stats.t.logpdf(np.log(DISCHARGE), 4, _log_q(law, STAGE), np.sqrt(u**2 + r**2))).sum()


@pytest.mark.parametrize("u", [U, np.full(7, np.nan)])
def test_the_probability_is_prior_times_likelihood(u):
    """Up to one constant, for walkers about the law; the density is that of ln r, so r itself is a factor."""
    rng = np.random.default_rng(4)
    walkers = np.r_[LAW, np.log(0.05)] + rng.normal(0, 0.03, (40, 7))
    got = _believed(u).log_probability(walkers)
    expected = np.array([_by_hand(walker, np.nan_to_num(u)) for walker in walkers])
    assert np.ptp(expected) > 1
    np.testing.assert_allclose(got - got[0], expected - expected[0], rtol=0, atol=1e-8)


@pytest.mark.parametrize(
    ("at", "inside", "outside"),
    [
        (1, 0.01, 0.0),  # an exponent is above zero
        (2, 0.01, -0.01),
        (3, 0.39, 0.4),  # water flowed at 0.4 m
        (3, 0.1, 0.099),  # and none at 0.1 m
        (4, 0.89, 0.9),  # a segment has water at its foot
        (5, 0.36, 0.35),
    ],
)
def test_what_cannot_be_has_no_probability(at, inside, outside):
    """Just inside each bound a law is possible, on it or beyond it is not; the others of a batch are not touched."""
    belief = _believed(dry=(0.1,))
    walkers = np.tile(np.r_[LAW, np.log(0.05)], (3, 1))
    walkers[0, at], walkers[1, at] = inside, outside
    got = belief.log_probability(walkers)
    assert np.isfinite(got).tolist() == [True, False, True]
    assert np.isneginf(belief.log_probability(walkers[1:2])).all()


def test_walkers_start_where_prior_and_gaugings_allow():
    """As many as asked, the likeliest first, all possible, each with its middle residual at zero."""
    belief = _believed(dry=(0.1,))
    walkers = _walkers(belief, 40, np.random.default_rng(1), None)
    assert walkers.shape == (40, 7)
    probability = belief.log_probability(walkers)
    assert np.isfinite(probability).all()
    assert (np.diff(probability) <= 0).all()
    assert len(np.unique(walkers[:, 3])) == 40
    residual = np.log(DISCHARGE) - np.array([_log_q(law, STAGE) for law in walkers[:, :-1]])
    np.testing.assert_allclose(np.median(residual, axis=1), 0, atol=1e-12)
    assert walkers[:, -1].mean() == pytest.approx(np.log(0.05), abs=0.5)


def test_half_of_the_walkers_start_about_a_fit():
    """Within a fiftieth of the distance to a draw of the priors: the likeliest ones lie that near."""
    stage = np.linspace(0.3, 3.0, 60)
    discharge = np.exp(_log_q(LAW, stage) + 0.002 * np.sin(np.arange(60)))
    found = fit(stage, discharge, choices=FitChoices(segments=2))
    every = np.ones(60, dtype=bool)
    rows = np.arange(60).astype(object)
    vague = (Control("", (0.1, 0.5), None, (3.0, 1.0)), Control("", (0.1, 0.5), (2.0, 1.0), (3.0, 1.0)))
    belief = _belief(gathered(stage, discharge, np.full(60, np.nan), rows, every), vague, SCALE)
    walkers = _walkers(belief, 40, np.random.default_rng(1), found)
    fitted = found.curve.law
    wide = np.array([1.0, 1.0, 0.5, 0.5, 1.0]) * 6 + np.abs(fitted[1:] - [3.0, 3.0, 0.1, 0.1, 2.0])
    assert (np.abs(walkers[:20, 1:-1] - fitted[1:]) <= 0.02 * wide).all()


def test_an_ensemble_by_hand():
    """Coefficients make segments meet; limits are percentiles over the curves; 20 autocorrelation times are enough."""
    laws = LAW + 0.01 * np.random.default_rng(2).normal(size=(21, 6))
    made = _ensemble(np.c_[laws, np.full(21, np.log(0.05))], 50.0, 0.3, 1001)
    at = np.array([0.5, 1.5, 2.5])
    np.testing.assert_allclose(made.discharge(at), [np.exp(_log_q(law, at)) for law in laws], rtol=1e-9)
    second = np.exp(laws[:, 0]) * (laws[:, 5] - laws[:, 3]) ** laws[:, 1] / (laws[:, 5] - laws[:, 4]) ** laws[:, 2]
    np.testing.assert_allclose(made.coefficient, np.c_[np.exp(laws[:, 0]), second], rtol=1e-9)
    np.testing.assert_array_equal(made.lower_m, laws[:, [3, 5]])
    np.testing.assert_allclose(made.remnant, 0.05)
    middle, low, high = made.interval(at, 90)
    ordered = np.sort(made.discharge(at), axis=0)
    # of 21 values the k-th is the percentile 5 k
    np.testing.assert_allclose([low, middle, high], ordered[[1, 10, 19]], rtol=1e-12)
    np.testing.assert_array_equal(made.discharge(np.array([-1.0, np.nan])), [[0.0, np.nan]] * 21)
    assert made.notes == ()
    assert len(_ensemble(np.c_[laws, laws[:, :1]], 50.0, 0.3, 1000).notes) == 1
    assert made.table()["median"].tolist() == np.median(laws, axis=0).tolist()
