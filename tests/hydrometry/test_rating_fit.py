"""Ratings fitted to gaugings: what is refused, what must not matter, and what is found again."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.shape import FitChoices
from stillwell.hydrometry.rating.solve import Task
from stillwell.hydrometry.rating.start import starts

ONE = np.array([np.log(8.0), 1.9, 0.2])
TWO = np.array([np.log(8.0), 2.2, 1.6, 0.2, 0.35, 0.9])
THREE = np.array([np.log(8.0), 2.2, 1.6, 2.4, 0.2, 0.35, 0.9, 0.9, 2.2])
"""Invented sites: ln C, exponents, stages of zero flow, breaks."""


def gauged(law, n=60, scatter=0.05, seed=1):
    """Gauge an invented site n times with log-normal errors."""
    rng = np.random.default_rng(seed)
    stage = 0.3 + 3.7 * rng.beta(1, 2, n)
    return stage, np.exp(rl.log_discharge(law[None, :], stage)[0] + scatter * rng.normal(size=n))


def test_exact_gaugings_give_the_law_back():
    """Gaugings that lie exactly on two segments give their numbers, whatever loss is asked for."""
    stage, discharge = gauged(TWO, scatter=0.0)
    for loss in ("none", "huber", "tukey"):
        got = fit(stage, discharge, choices=FitChoices(segments=2, loss=loss))
        np.testing.assert_allclose(TWO, got.curve.law, rtol=1e-4, atol=1e-4)
        assert got.standard_error == pytest.approx(0, abs=1e-5)


def test_the_weighted_line_of_one_segment_is_the_textbooks():
    """With e given and no loss the fit is least squares of ln Q on ln(h - e), and S_mr the textbook's."""
    stage, discharge = gauged(ONE, n=20)
    got = fit(stage, discharge, choices=FitChoices(segments=1, zero_stage_m=(0.2,), loss="none"))
    x, y = np.log(stage - 0.2), np.log(discharge)
    slope, level = np.polyfit(x, y, 1)
    error = np.sqrt(((y - level - slope * x) ** 2).sum() / 18)
    at = np.array([0.5, 1.0, 3.0])
    relation = error * np.sqrt(1 / 20 + (np.log(at - 0.2) - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum())

    assert got.curve.exponent[0] == pytest.approx(slope, rel=1e-9)
    assert got.curve.coefficient[0] == pytest.approx(np.exp(level), rel=1e-9)
    assert got.standard_error == pytest.approx(error, rel=1e-9)
    np.testing.assert_allclose(relation, got.band(at).mean_relation, rtol=1e-7)


def test_covariance_of_a_fitted_zero_stage_is_that_of_an_independent_solver():
    """Minimum and covariance agree with scipy's least squares and a Jacobian by differences."""
    from scipy.optimize import least_squares

    stage, discharge = gauged(ONE, n=40)

    def residuals(p):
        return p[0] + p[1] * np.log(stage - p[2]) - np.log(discharge)

    other = least_squares(residuals, [2.0, 2.0, 0.1], bounds=([-9, 0.3, -30], [9, 6, stage.min() - 1e-3]), xtol=1e-14)
    variance = 2 * other.cost / 37 * np.linalg.inv(other.jac.T @ other.jac)
    got = fit(stage, discharge, choices=FitChoices(segments=1, loss="none"))

    np.testing.assert_allclose(other.x, got.curve.law, rtol=1e-5)
    np.testing.assert_allclose(variance, got.covariance, rtol=1e-3)


@pytest.mark.parametrize(("law", "segments"), [(ONE, 1), (TWO, 2), (THREE, 3)])
def test_the_criterion_finds_the_number_of_segments(law, segments):
    """An invented site of one, two or three segments, gauged 60 times, is told as such."""
    got = fit(*gauged(law))
    assert got.curve.lower_m.size == segments
    chosen = got.criterion[got.criterion["chosen"]].iloc[0]
    assert chosen["segments"] == segments
    assert chosen["criterion"] == got.criterion["criterion"].min()


def test_the_number_of_segments_and_the_breaks_can_be_given():
    """What is given stands, and is not counted as fitted."""
    stage, discharge = gauged(TWO)
    assert fit(stage, discharge, choices=FitChoices(segments=1)).curve.lower_m.size == 1
    got = fit(stage, discharge, choices=FitChoices(breaks_m=(1.0,)))
    assert got.curve.lower_m[1] == 1.0
    assert got.parameters == 5


@pytest.mark.parametrize("law", [TWO, THREE])
def test_segments_meet_and_never_fall(law):
    """Just under and at a break discharge is the same, and it rises with stage everywhere."""
    got = fit(*gauged(law))
    at = got.curve.lower_m[1:]
    np.testing.assert_allclose(got.curve.discharge(at - 1e-12), got.curve.discharge(at), rtol=1e-9)
    assert (np.diff(got.curve.discharge(np.linspace(got.curve.zero_m[0], 6, 2000))) >= 0).all()


def test_outliers_hardly_move_a_rating_and_are_named():
    """Five of sixty gaugings wrong by half or double: the curve stays within 4 %, notes name them."""
    stage, discharge = gauged(TWO)
    wild = np.array([3, 17, 29, 41, 55])
    spoilt = discharge.copy()
    spoilt[wild] *= np.array([2.0, 0.5, 2.0, 2.0, 0.5])
    clean, got = fit(stage, discharge), fit(stage, spoilt)
    at = np.linspace(np.quantile(stage, 0.05), np.quantile(stage, 0.95), 30)

    np.testing.assert_allclose(clean.curve.discharge(at), got.curve.discharge(at), rtol=0.04)
    assert (got.gaugings["trust"].to_numpy()[wild] < 0.2).all()
    assert sum("lies far off" in note for note in got.notes) == 5
    plain = fit(stage, spoilt, choices=FitChoices(loss="none"))
    assert plain.standard_error > 2 * got.standard_error


def test_an_observed_zero_is_a_bound():
    """A zero seen at h0 keeps e at or above h0; without it the fit goes below, and no logarithm of 0 is taken."""
    stage, discharge = gauged(ONE, n=15, scatter=0.15, seed=5)
    free = fit(stage, discharge, choices=FitChoices(segments=1))
    seen = free.curve.zero_m[0] + 0.02
    assert seen < stage.min()
    got = fit(np.r_[stage, seen], np.r_[discharge, 0.0], choices=FitChoices(segments=1))
    assert got.curve.zero_m[0] >= seen - 1e-12
    assert got.zeros == 1
    assert got.visits == 15
    assert got.gaugings["rated_m3_s"].iloc[-1] == 0


def test_a_visit_with_repeats_weighs_once():
    """One gauging handed in three times as one visit changes nothing; as three visits it does."""
    stage, discharge = gauged(ONE, n=15)
    again = np.r_[np.arange(15), 14, 14]
    one = fit(stage, discharge, choices=FitChoices(segments=1))
    same = fit(stage[again], discharge[again], visit=again.astype(object), choices=FitChoices(segments=1))
    assert same.visits == pytest.approx(15)
    np.testing.assert_allclose(one.curve.law, same.curve.law, rtol=1e-6)
    np.testing.assert_allclose(one.covariance, same.covariance, rtol=1e-4, atol=1e-12)
    assert fit(stage[again], discharge[again], choices=FitChoices(segments=1)).visits == 17


def test_gaugings_of_no_named_visit_stand_alone():
    """Missing names are not one visit, and an observed zero may be certain."""
    stage, discharge = gauged(ONE, n=15)
    visit = np.array(["a", "a", *[None] * 6, *[np.nan] * 8], dtype=object)
    u = np.r_[np.full(15, 0.03), 0.0]
    got = fit(np.r_[stage, 0.1], np.r_[discharge, 0.0], visit=visit, uncertainty=u)
    assert got.visits == pytest.approx(14)


def test_uncertain_gaugings_weigh_less():
    """A gauging of 30 % far off the line moves it less than one of 2 %."""
    stage, discharge = gauged(ONE, n=20)
    discharge[stage.argmax()] *= 1.3
    sure, doubtful = np.full(20, 0.03), np.full(20, 0.03)
    doubtful[stage.argmax()] = 0.3
    top = np.array([stage.max()])
    choices = FitChoices(segments=1, loss="none")
    firm = fit(stage, discharge, uncertainty=sure, choices=choices).curve.discharge(top)
    loose = fit(stage, discharge, uncertainty=doubtful, choices=choices).curve.discharge(top)
    truth = np.exp(rl.log_discharge(ONE[None, :], top))[0]
    assert abs(loose - truth) < 0.6 * abs(firm - truth)


def test_remnant_scatter_is_what_uncertainties_leave():
    """Scatter of 5 % with gaugings good to 3 % leaves about 4 %; with gaugings of 8 % it leaves none."""
    stage, discharge = gauged(ONE, n=400)
    got = fit(stage, discharge, uncertainty=np.full(400, 0.03), choices=FitChoices(segments=1))
    assert got.remnant == pytest.approx(0.04, abs=0.005)
    wide = fit(stage, discharge, uncertainty=np.full(400, 0.08), choices=FitChoices(segments=1))
    assert wide.remnant == 0


def test_left_out_gaugings_are_compared_all_the_same():
    """A gauging left out has a departure and a shift but no weight, and may lack numbers."""
    stage, discharge = gauged(ONE, n=20)
    used = np.ones(20, dtype=bool)
    used[[2, 7]] = False
    discharge[2], discharge[7] = 5 * discharge[2], np.nan
    got = fit(stage, discharge, used=used)
    assert got.visits == 18
    assert got.gaugings["departure_pct"].iloc[2] > 300
    assert np.isnan(got.gaugings["trust"].iloc[2])
    assert np.isnan(got.gaugings["departure_pct"].iloc[7])


@settings(max_examples=8)
@given(st.permutations(range(24)))
def test_order_of_rows_is_nothing(order):
    """Rows in another order give the same curve to the last bit."""
    stage, discharge = gauged(TWO, n=24)
    order = np.array(order)
    one, other = fit(stage, discharge), fit(stage[order], discharge[order])
    np.testing.assert_array_equal(one.curve.law, other.curve.law)
    np.testing.assert_array_equal(one.gaugings["departure_pct"].to_numpy()[order], other.gaugings["departure_pct"])


@settings(max_examples=8)
@given(st.floats(1e-3, 1e3), st.floats(-50, 50))
def test_scaling_discharge_scales_c_and_moving_the_gauge_moves_e_and_breaks(factor, move):
    """Q times k gives C times k; h + c gives e + c and b + c; nothing else changes."""
    stage, discharge = gauged(TWO, n=30)
    one, other = fit(stage, discharge), fit(stage + move, discharge * factor)
    np.testing.assert_allclose(one.curve.coefficient * factor, other.curve.coefficient, rtol=1e-4)
    np.testing.assert_allclose(one.curve.exponent, other.curve.exponent, rtol=1e-4)
    np.testing.assert_allclose(one.curve.zero_m + move, other.curve.zero_m, atol=1e-4)
    np.testing.assert_allclose(one.curve.lower_m + move, other.curve.lower_m, atol=1e-4)
    assert other.standard_error == pytest.approx(one.standard_error, rel=1e-5)


def test_a_rating_in_feet_is_the_same_rating():
    """C_si = C_ft 0.3048^(3 - beta), for Q in cubic feet and h in feet (an identity)."""
    stage, discharge = gauged(TWO, n=40)
    si = fit(stage, discharge).curve
    feet = fit(stage / 0.3048, discharge / 0.3048**3).curve
    np.testing.assert_allclose(si.coefficient, feet.coefficient * 0.3048 ** (3 - feet.exponent), rtol=1e-4)
    np.testing.assert_allclose(si.exponent, feet.exponent, rtol=1e-4)


GOOD = gauged(ONE, n=12)


@pytest.mark.parametrize(
    ("stage", "discharge", "choices", "words"),
    [
        (GOOD[0][:3], GOOD[1][:3], FitChoices(segments=1), "more visits than numbers"),
        (np.full(9, 1.0), np.linspace(1, 2, 9), FitChoices(), "all 9 at 1.000 m"),
        (GOOD[0], GOOD[1], FitChoices(zero_stage_m=(float(GOOD[0].min()),)), "below the lowest gauging"),
        (GOOD[0], GOOD[1], FitChoices(zero_bounds_m=(9.0, 10.0)), "there is none"),
        (GOOD[0], np.r_[-1.0, GOOD[1][1:]], FitChoices(), "reversed flow"),
        (GOOD[0], np.r_[np.nan, GOOD[1][1:]], FitChoices(), "finite discharge"),
        (np.r_[np.inf, GOOD[0][1:]], GOOD[1], FitChoices(), "finite stage"),
        (GOOD[0], 0 * GOOD[1], FitChoices(), "gaugings with flow"),
        (np.r_[GOOD[0], 3.0], np.r_[GOOD[1], 0.0], FitChoices(), "one curve cannot say both"),
        (GOOD[0], GOOD[1], FitChoices(breaks_m=(99.0,)), "inside the gauged range"),
        (GOOD[0], GOOD[1], FitChoices(segments=3), "more visits than numbers|every segment"),
        (np.r_[GOOD[0], 0.25], np.r_[GOOD[1], 0.0], FitChoices(zero_stage_m=(0.1,)), "at or above it"),
    ],
)
def test_what_makes_no_rating_is_refused_in_words(stage, discharge, choices, words):
    """Too few, one stage, e too high, reversed, missing, dry, contradictory zeros, breaks outside: words, no number."""
    with pytest.raises(RatingError, match=words):
        fit(stage, discharge, choices=choices)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"segments": 5}, "one to four"),
        ({"segments": 2, "breaks_m": (1.0, 2.0)}, "give one of both"),
        ({"breaks_m": (2.0, 1.0)}, "rise"),
        ({"zero_stage_m": (0.1, 0.2)}, "one for each"),
        ({"zeros": "none"}, "shared, own or either"),
    ],
)
def test_choices_that_contradict_each_other_are_refused(given, words):
    """Five segments, breaks that do not fit, breaks that fall, zero stages too many, an unknown word."""
    with pytest.raises(RatingError, match=words):
        FitChoices(**given)


def test_shared_zero_stage_is_shared():
    """With one stage of zero flow for all segments the curve has one, and fewer numbers are fitted."""
    got = fit(*gauged(THREE), choices=FitChoices(segments=3, zeros="shared"))
    assert np.ptp(got.curve.zero_m) == 0
    assert got.parameters == 7


def test_the_law_and_its_sensitivities_agree():
    """Derivatives by formula are those by central differences."""
    stage = np.array([0.4, 0.8, 1.5, 2.1, 3.0])
    slope = rl.sensitivities(THREE[None, :], stage)[0]
    step = 1e-6
    other = np.array(
        [
            (
                rl.log_discharge((THREE + step * e)[None, :], stage)
                - rl.log_discharge((THREE - step * e)[None, :], stage)
            )[0]
            for e in np.eye(9)
        ]
    ).T / (2 * step)
    np.testing.assert_allclose(other, slope, atol=1e-7)
    np.testing.assert_allclose(np.exp(rl.log_discharge(THREE[None, :], stage))[0], Curve.of_law(THREE).discharge(stage))
    np.testing.assert_allclose(THREE, Curve.of_law(THREE).law)


def test_as_many_stages_as_numbers_make_a_rating_and_one_less_does_not():
    """``8 (h - 0.2)^2`` gauged twice at each of three stages gives its three numbers back; at two stages nothing."""
    one = FitChoices(segments=1, loss="none", zero_bounds_m=(0.0, 0.29))
    stage = np.repeat([0.5, 1.0, 2.0], 2)
    got = fit(stage, 8 * (stage - 0.2) ** 2, choices=one).curve
    np.testing.assert_allclose([8.0, 2.0, 0.2], [got.coefficient[0], got.exponent[0], got.zero_m[0]], rtol=1e-3)
    stage = np.repeat([0.5, 2.0], 3)
    with pytest.raises(RatingError, match="6 visits at 2 stages"):
        fit(stage, 8 * (stage - 0.2) ** 2, choices=one)


@pytest.mark.parametrize("most", [1, 3])
def test_starts_times_gaugings_stay_within_their_bound(most, monkeypatch):
    """Room for just under ``most`` times as many terms as there are gaugings lets ``most`` starts be looked at."""
    x = np.linspace(0.0, 1.0, 20)
    task = Task(
        stage=x, log_q=2 * np.log(x + 0.1), precision=np.ones(20), share=np.ones(20), free=np.eye(3),
        lower=np.array([-np.inf, 0.0, -6.0]), upper=np.array([np.inf, 9.0, -1e-3]), fewest=1.0, loss="none",
    )  # fmt: skip
    free = np.array([np.nan])
    assert starts(task, 1, False, free, np.zeros(0)).shape[0] == 10
    monkeypatch.setattr("stillwell.hydrometry.rating.start.MOST_TERMS", 20 * most - 1)
    assert starts(task, 1, False, free, np.zeros(0)).shape[0] == most


@pytest.mark.parametrize(("count", "dropped"), [(12, False), (13, True)])
def test_a_wild_gauging_is_dropped_only_where_there_are_enough(count, dropped):
    """Tukey's loss, which drops it, is used from 13 visits on; below, Huber's, which lets it pull a little."""
    stage = np.linspace(0.4, 3.0, count)
    discharge = 8 * (stage - 0.2) ** 2 * (1 + 0.02 * (-1.0) ** np.arange(count))
    discharge[5] *= 3
    trust = fit(stage, discharge, choices=FitChoices(segments=1, zero_stage_m=(0.2,))).gaugings["trust"]
    assert (trust[5] == 0) == dropped
