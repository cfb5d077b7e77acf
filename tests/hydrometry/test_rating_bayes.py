"""Ratings as ensembles: the same seed, priors that matter where gaugings do not, and agreement where they do."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating.bayes import Control, sample
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.shape import FitChoices

ONE = np.array([np.log(8.0), 2.0, 0.2])
TWO = np.array([np.log(8.0), 2.5, 1.67, 0.2, 0.35, 0.9])
CHANNEL = Control("channel", (0.35, 0.15), (0.9, 0.15))


def gauged(law, n, seed=1, scatter=0.05, top=3.7):
    """Gauge an invented site."""
    rng = np.random.default_rng(seed)
    stage = 0.3 + top * rng.beta(1, 2, n)
    return stage, np.exp(rl.log_discharge(law[None, :], stage)[0] + scatter * rng.normal(size=n))


@pytest.fixture(scope="module")
def two():
    """Sample an invented site of two controls, gauged 40 times."""
    stage, discharge = gauged(TWO, 40)
    controls = (Control("triangular section", (0.2, 0.1)), CHANNEL)
    return sample(stage, discharge, controls, seed=7, draws=500, steps=1500)


def test_curves_hold_the_truth_and_meet_at_their_breaks(two):
    """The 95 % interval holds the known curve at nearly all stages; every curve is continuous and never falls."""
    at = np.linspace(0.4, 3.0, 40)
    truth = np.exp(rl.log_discharge(TWO[None, :], at))[0]
    middle, low, high = two.interval(at)
    assert ((low <= truth) & (truth <= high)).mean() > 0.8
    assert (low <= middle).all()
    assert (middle <= high).all()
    assert two.coefficient.shape == two.zero_m.shape == two.exponent.shape == two.lower_m.shape == (500, 2)
    left = two.coefficient[:, 0] * (two.lower_m[:, 1] - two.zero_m[:, 0]) ** two.exponent[:, 0]
    right = two.coefficient[:, 1] * (two.lower_m[:, 1] - two.zero_m[:, 1]) ** two.exponent[:, 1]
    np.testing.assert_allclose(left, right, rtol=1e-9)
    assert (np.diff(two.discharge(np.linspace(0.1, 4, 200)), axis=1) >= -1e-12).all()


def test_discharge_of_the_ensemble_is_that_of_its_curves(two):
    """Each row is what the curve of its numbers gives; 0 below zero flow, missing of a missing stage."""
    at = np.array([-5.0, 0.5, 1.5, np.nan])
    got = two.discharge(at)
    one = Curve.of_law(two.laws[3])
    np.testing.assert_allclose(one.discharge(at), got[3], rtol=1e-9)
    assert (got[:, 0] == 0).all()
    assert two.table()["number"].tolist() == list(rl.names(2))
    assert two.middle().lower_m.size == 2


def test_the_same_seed_gives_the_same_ensemble():
    """Two runs of one seed agree to the last bit, another seed differs."""
    stage, discharge = gauged(ONE, 15)
    one, same, other = (
        sample(stage, discharge, (Control("parabolic section", (0.2, 0.1)),), seed=s, draws=50, steps=100)
        for s in (3, 3, 4)
    )
    np.testing.assert_array_equal(one.laws, same.laws)
    assert (one.laws != other.laws).any()
    assert "sample longer" in one.notes[0]


def test_where_gaugings_say_little_the_kind_of_control_speaks():
    """Three close gaugings: the exponent is that of the kind believed in, for each kind."""
    stage, discharge = gauged(ONE, 3, top=0.3)
    for kind, expected in (("rectangular section", 1.5), ("triangular section", 2.5)):
        got = sample(stage, discharge, (Control(kind, (0.2, 0.05)),), seed=1, draws=400, steps=600)
        assert np.median(got.exponent) == pytest.approx(expected, abs=0.15)


@pytest.mark.parametrize(
    ("draws", "width"), [(1500, 0.2), pytest.param(4000, 0.12, marks=pytest.mark.soak)], ids=["short", "long"]
)
def test_where_gaugings_say_much_the_fit_and_the_ensemble_agree(draws, width):
    """80 gaugings and a vague belief: medians and widths are those of the linearised fit."""
    stage, discharge = gauged(ONE, 80)
    vague = (Control("", (0.1, 1.0), exponent=(2.0, 2.0)),)
    got = sample(stage, discharge, vague, seed=2, draws=draws, steps=draws)
    least = fit(stage, discharge, choices=FitChoices(segments=1))
    at = np.array([0.6, 1.2, 2.5])
    band, (middle, low, high) = least.band(at), got.interval(at)
    np.testing.assert_allclose(least.curve.discharge(at), middle, rtol=0.01)
    np.testing.assert_allclose(np.log(band.upper / band.lower), np.log(high / low), rtol=width)


def test_an_observed_zero_cuts_the_prior():
    """A zero seen at 0.22 m: no curve of the ensemble flows there."""
    stage, discharge = gauged(ONE, 12)
    got = sample(
        np.r_[stage, 0.22],
        np.r_[discharge, 0.0],
        (Control("parabolic section", (0.2, 0.1)),),
        seed=1,
        draws=200,
        steps=400,
    )
    assert (got.zero_m >= 0.22).all()
    assert (got.discharge(np.array([0.22])) == 0).all()


@pytest.mark.parametrize(
    ("controls", "words"),
    [
        ((), "one to four controls"),
        ((Control("channel", (0.2, 0.1), (0.5, 0.1)),), "every one but the lowest"),
        ((Control("waterfall", (0.2, 0.1)),), "kind of control"),
        ((Control("channel", (0.2, 0.0)),), "above 0"),
        ((Control("channel", (50.0, 0.01)),), "leave room"),
    ],
)
def test_beliefs_that_contradict_are_refused(controls, words):
    """None, a foot under the lowest, an unknown kind, no doubt at all, zero flow above the gaugings."""
    stage, discharge = gauged(ONE, 12)
    with pytest.raises(RatingError, match=words):
        sample(stage, discharge, controls, seed=1)


@pytest.mark.parametrize(
    ("draws", "steps", "middle_within", "spread_within"),
    [(1000, 1200, 0.12, 0.25), pytest.param(5000, 6000, 0.06, 0.12, marks=pytest.mark.soak)],
    ids=["short", "long"],
)
def test_what_no_gauging_speaks_of_keeps_its_prior(draws, steps, middle_within, spread_within):
    """Eight gaugings of the lowest of three controls: those above stay as believed, mean and spread."""
    stage, discharge = gauged(ONE, 8, top=0.5)
    low = Control("parabolic section", (0.2, 0.1))
    middle = Control("", (0.5, 0.1), (2.0, 0.1), exponent=(1.7, 0.2))
    high = Control("", (1.0, 0.2), (4.0, 0.2), exponent=(2.2, 0.4))
    got = sample(stage, discharge, (low, middle, high), seed=5, draws=draws, steps=steps)
    np.testing.assert_allclose([1.7, 2.2], got.exponent[:, 1:].mean(axis=0), atol=middle_within)
    np.testing.assert_allclose([0.2, 0.4], got.exponent[:, 1:].std(axis=0), rtol=spread_within)
    np.testing.assert_allclose([0.5, 1.0], got.zero_m[:, 1:].mean(axis=0), atol=middle_within / 2)
    np.testing.assert_allclose([0.1, 0.2], got.zero_m[:, 1:].std(axis=0), rtol=spread_within)


def test_a_longer_sampling_goes_on_where_the_shorter_ended():
    """32 walkers, every state kept but the first third: steps 11 to 30 and 16 to 45 share the states of 16 to 30."""
    stage, discharge = gauged(ONE, 20)
    controls = (Control("parabolic section", (0.2, 0.05)),)
    short = sample(stage, discharge, controls, seed=2, steps=30, draws=20 * 32)
    long = sample(stage, discharge, controls, seed=2, steps=45, draws=30 * 32)
    np.testing.assert_array_equal(short.laws[5 * 32 :], long.laws[: 15 * 32])
    np.testing.assert_array_equal(short.remnant[5 * 32 :], long.remnant[: 15 * 32])
