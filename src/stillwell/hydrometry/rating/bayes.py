"""A rating as an ensemble of curves: the same law with priors on the controls, sampled. Chooses no number of segments.

The sampler is the library emcee (walkers moved by stretching and by differential evolution), imported only when it is
asked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.fit import RatingFit
from stillwell.hydrometry.rating.gaugings import Gaugings, gathered

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

KINDS = {
    "rectangular section": (1.5, 0.1),
    "parabolic section": (2.0, 0.15),
    "triangular section": (2.5, 0.15),
    "channel": (5 / 3, 0.15),
}
"""Mean of the exponent by kind of control (WSP 2175, as remembered) and its standard deviation (chosen)."""

TAIL = 4.0
"""Degrees of freedom of the Student's t of residuals, so that one wild gauging bends little (chosen)."""


@dataclass(frozen=True)
class Control:
    """What is believed of one segment before the gaugings are looked at.

    ``zero_m``: mean and standard deviation of its stage of zero flow (m). ``foot_m``: the same of the stage at which
    it takes over; nothing for the lowest. ``exponent``: mean and standard deviation, from ``kind`` when left out.
    """

    kind: str
    zero_m: tuple[float, float]
    foot_m: tuple[float, float] | None = None
    exponent: tuple[float, float] | None = None

    @property
    def believed(self) -> tuple[float, float]:
        """Give mean and standard deviation of the exponent."""
        if self.exponent is not None:
            return self.exponent
        if self.kind not in KINDS:
            msg = (
                f"a kind of control of {', '.join(KINDS)} expected, or an exponent; found {self.kind!r}; no"
                f" rating is made"
            )
            raise RatingError(msg)
        return KINDS[self.kind]


@dataclass(frozen=True)
class Ensemble:
    """Curves, each as likely as the others: arrays of shape (draws, segments), and what the sampling was like.

    ``remnant``: scatter of the relation itself of each draw (1). ``steps_per_independent``: autocorrelation time in
    steps, the largest of all numbers; ``accepted``: share of moves accepted.
    """

    lower_m: Floats
    coefficient: Floats
    zero_m: Floats
    exponent: Floats
    remnant: Floats
    steps_per_independent: float
    accepted: float
    laws: Floats
    notes: tuple[str, ...]

    def discharge(self, stage: Floats) -> Floats:
        """Compute discharge (m3/s) of every curve at stages (m), shape (draws, stages); 0 where nothing flows."""
        known = np.isfinite(stage)
        out = np.exp(rl.log_discharge(self.laws, np.where(known, stage, self.zero_m.max())))
        return np.where(known, np.nan_to_num(out, nan=0.0), np.nan)

    def interval(self, stage: Floats, level: float = 95) -> tuple[Floats, Floats, Floats]:
        """Give the median and the limits (m3/s) that hold ``level`` percent of the curves."""
        low, middle, high = np.percentile(self.discharge(stage), [50 - level / 2, 50, 50 + level / 2], axis=0)
        return middle, low, high

    def middle(self) -> Curve:
        """Give the curve of the median of every number of the law."""
        return Curve.of_law(np.median(self.laws, axis=0))

    def table(self) -> pd.DataFrame:
        """Give median, 2.5 and 97.5 % of every number of the law, one row each."""
        low, middle, high = np.percentile(self.laws, [2.5, 50, 97.5], axis=0)
        return pd.DataFrame({"number": rl.names(rl.segments(self.laws)), "median": middle, "lower": low, "upper": high})


@dataclass(frozen=True)
class _Belief:
    """Priors as arrays, and the gaugings; ``log_probability`` takes all walkers at once."""

    gaugings: Gaugings
    exponent: Floats
    zero: Floats
    foot: Floats
    remnant_scale: float
    level: float

    def log_probability(self, walkers: Floats) -> Floats:
        """Log of prior times likelihood, up to a constant, of walkers (walkers, 3 S + 1); the last number is ln r."""
        laws, log_remnant = walkers[:, :-1], walkers[:, -1]
        first, exponent, zero, breaks = rl.parts(laws)
        g = self.gaugings
        with np.errstate(over="ignore"):
            beyond = np.exp(log_remnant)
        sane = (
            (exponent > 0).all(axis=1) & (np.diff(breaks, axis=1) > 0).all(axis=1) & (zero[:, 1:] < breaks).all(axis=1)
        )
        sane &= (zero[:, 0] >= g.highest_zero_m) & (zero[:, 0] < g.low) & (beyond < 10) & (log_remnant > -20)
        sane &= (breaks > zero[:, :-1]).all(axis=1) & (np.abs(first - self.level) < 50)
        out = np.full(walkers.shape[0], -np.inf)
        if not sane.any():
            return out
        prior = -0.5 * (((exponent - self.exponent[0]) / self.exponent[1]) ** 2).sum(axis=1)
        prior -= 0.5 * (((zero - self.zero[0]) / self.zero[1]) ** 2).sum(axis=1)
        prior -= 0.5 * (((breaks - self.foot[0]) / self.foot[1]) ** 2).sum(axis=1)
        prior += log_remnant - 0.5 * (beyond / self.remnant_scale) ** 2
        residual = np.log(g.discharge) - rl.log_discharge(laws[sane], g.stage)
        own = np.nan_to_num(g.uncertainty, nan=0.0)
        scale = np.hypot(own, beyond[sane, None])
        fits = (g.share * (stats.t.logpdf(residual / scale, TAIL) - np.log(scale))).sum(axis=1)
        out[sane] = prior[sane] + fits
        return out


def _belief(gaugings: Gaugings, controls: tuple[Control, ...], remnant_scale: float) -> _Belief:
    feet = [c.foot_m for c in controls[1:]]
    if not 1 <= len(controls) <= 4 or None in feet or (controls and controls[0].foot_m is not None):
        msg = (
            "one to four controls from the lowest up expected, every one but the lowest with the stage at which"
            " it takes over;"
            " no rating is made"
        )
        raise RatingError(msg)
    exponent, zero = np.array([c.believed for c in controls]).T, np.array([c.zero_m for c in controls]).T
    foot = np.array(feet, dtype=float).reshape(-1, 2).T
    if not (np.isfinite(zero).all() and (exponent[1] > 0).all() and (zero[1] > 0).all() and (foot[1] > 0).all()):
        msg = "standard deviations above 0 expected of every belief; no rating is made"
        raise RatingError(msg)
    return _Belief(gaugings, exponent, zero, foot, remnant_scale, float(np.log(gaugings.discharge).mean()))


def _walkers(belief: _Belief, count: int, rng: np.random.Generator, start: RatingFit | None) -> Floats:
    """Scatter walkers where prior and gaugings both allow."""
    size = belief.exponent.shape[1]
    tries = 400 * count
    exponent = rng.normal(belief.exponent[0], belief.exponent[1], (tries, size))
    zero = rng.normal(belief.zero[0], belief.zero[1], (tries, size))
    foot = rng.normal(belief.foot[0], belief.foot[1], (tries, size - 1))
    remnant = rng.normal(np.log(0.05), 0.3, (tries, 1))
    laws = np.concatenate([np.zeros((tries, 1)), exponent, zero, foot], axis=1)
    if start is not None and start.curve.lower_m.size == size:
        laws[: tries // 2] = start.curve.law + 0.02 * (laws[: tries // 2] - start.curve.law)
    g = belief.gaugings
    low = (laws[:, 1 + size] < g.low - 1e-6) & (laws[:, 1 + size] > g.highest_zero_m)
    laws, remnant = laws[low], remnant[low]
    rises = (laws[:, 2 + size : 1 + 2 * size] < laws[:, 1 + 2 * size :] - 1e-6).all(axis=1)
    laws, remnant = laws[rises], remnant[rises]
    if laws.shape[0] < count:
        msg = (
            "beliefs that leave room expected: stages of zero flow below the lowest gauging and below the stage"
            " at which each control"
            " takes over; hardly any draw from these does so; no rating is made"
        )
        raise RatingError(msg)
    laws[:, 0] += np.median(np.log(g.discharge) - rl.log_discharge(laws, g.stage), axis=1)
    drawn = np.concatenate([laws, remnant], axis=1)
    order = np.argsort(-belief.log_probability(drawn), kind="stable")
    return drawn[order[:count]]


def sample(
    stage: Floats,
    discharge: Floats,
    controls: tuple[Control, ...],
    *,
    seed: int,
    uncertainty: Floats | None = None,
    visit: NDArray[np.object_] | None = None,
    used: Flags | None = None,
    start: RatingFit | None = None,
    draws: int = 1000,
    steps: int = 5000,
    remnant_scale: float = 0.1,
) -> Ensemble:
    """Sample ratings that agree with the gaugings and with what is believed of the controls.

    ln Q of a gauging is Student's t about the law, of 4 degrees of freedom and scale ``sqrt(u^2 + r^2)``; priors are
    normal on exponents, stages of zero flow and breaks, half-normal on r, flat on ln C. An observed zero cuts the
    prior of the lowest stage of zero flow. Continuity is the law's.

    Parameters
    ----------
    stage, discharge, uncertainty, visit, used
        As of ``rating.fit.fit``.
    controls : tuple of Control
        From the lowest up.
    seed : int
        The same seed gives the same ensemble.
    start : RatingFit, optional
        Where half of the walkers begin; it changes no result but for how soon it is reached.
    draws, steps : int
        Curves kept, and steps of each walker; the first third is left out.
    remnant_scale : float
        Scale of the half-normal prior of r, 1.

    Raises
    ------
    RatingError
        As ``rating.fit.fit``; also beliefs that contradict each other or the gaugings.
    """
    import emcee

    rows = np.arange(stage.size).astype(object)
    u = np.full(stage.size, np.nan) if uncertainty is None else uncertainty
    every = np.ones(stage.size, dtype=bool) if used is None else used
    belief = _belief(gathered(stage, discharge, u, rows if visit is None else visit, every), controls, remnant_scale)
    rng = np.random.default_rng(seed)
    numbers = 3 * len(controls) + 1
    count = max(4 * numbers, 32) // 2 * 2
    moves = [(emcee.moves.StretchMove(), 0.5), (emcee.moves.DEMove(), 0.5)]
    sampler = emcee.EnsembleSampler(count, numbers, belief.log_probability, moves=moves, vectorize=True)
    state = emcee.State(_walkers(belief, count, rng, start), random_state=np.random.RandomState(seed).get_state())
    sampler.run_mcmc(state, steps)
    slow = float(np.max(sampler.get_autocorr_time(tol=0, quiet=True)))
    flat = sampler.get_chain(discard=steps // 3).reshape(-1, numbers)
    draws_taken = flat[np.linspace(0, flat.shape[0] - 1, draws).round().astype(int)]
    return _ensemble(draws_taken, slow, float(np.mean(sampler.acceptance_fraction)), steps)


def _ensemble(walkers: Floats, slow: float, accepted: float, steps: int) -> Ensemble:
    laws = walkers[:, :-1]
    first, exponent, zero, breaks = rl.parts(laws)
    rise = exponent[:, :-1] * np.log(breaks - zero[:, :-1]) - exponent[:, 1:] * np.log(breaks - zero[:, 1:])
    coefficient = np.exp(
        first[:, None] + np.concatenate([np.zeros((laws.shape[0], 1)), np.cumsum(rise, axis=1)], axis=1)
    )
    notes: tuple[str, ...] = ()
    if not slow * 20 < steps:
        notes = (f"{steps} steps are {steps / slow:.0f} autocorrelation times; 20 or more are wanted: sample longer",)
    return Ensemble(
        np.concatenate([zero[:, :1], breaks], axis=1),
        coefficient,
        zero,
        exponent,
        np.exp(walkers[:, -1]),
        slow,
        accepted,
        laws,
        notes,
    )
