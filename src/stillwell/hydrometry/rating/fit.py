"""A rating from gaugings: ``Q = C (h - e)^beta`` in one to four segments, with what is needed to say how sure it is.

Decides nothing about which gaugings take part: exclusions are handed in. Reads and writes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import band as rating_band
from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating import loss as rating_loss
from stillwell.hydrometry.rating import start
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.gaugings import Gaugings, gathered, precision, remnant
from stillwell.hydrometry.rating.notes import compared, notes
from stillwell.hydrometry.rating.shape import FitChoices, Shape, shapes, task_of
from stillwell.hydrometry.rating.solve import Task, pressed, settle

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


SOFTENINGS = 5
"""Rounds in which the uncertainty of breaks and the covariance agree (chosen)."""

FEW = 13
"""Visits under which no gauging is dropped for lying far off, only held back: Huber's loss in place of Tukey's
(chosen: with three numbers to fit, fewer than ten remain to say what is usual)."""


@dataclass(frozen=True)
class RatingFit:
    """A rating and how sure it is.

    The curve's ``covariance`` is in the order of ``names``; a number given or pressed against its bound has none.
    ``gaugings`` has one row for each row handed in, in that order; ``criterion`` one for each shape tried.
    """

    curve: Curve
    names: tuple[str, ...]
    visits: float
    """N: gaugings with flow, a visit counted once."""
    parameters: int
    """p: numbers fitted."""
    standard_error: float
    """S_e, of ln Q (1), for a gauging of average weight."""
    remnant: float
    """Scatter of the relation itself, beyond the gaugings' own uncertainty (1)."""
    lowest_m: float
    highest_m: float
    zeros: int
    gaugings: pd.DataFrame
    criterion: pd.DataFrame
    notes: tuple[str, ...]
    at_bound: tuple[str, ...] = ()
    """Numbers left on their bound: how sure they are is not known, so no limits are given to anybody."""

    @property
    def freedom(self) -> float:
        """Residual degrees of freedom, N - p."""
        return self.visits - self.parameters

    @property
    def covariance(self) -> Floats:
        """Covariance of the numbers of ``names``, shape (3 S, 3 S)."""
        return self.curve.covariance

    def band(self, stage: Floats, level: float = 95) -> rating_band.Band:
        """Compute the rating and its limits at stages (m), ``level`` in percent, numbers at bound as known."""
        return rating_band.band(self.curve, self.standard_error, self.freedom, stage, level)


@dataclass(frozen=True)
class _Tried:
    shape: Shape
    task: Task
    law: Floats
    scale: float

    def variance(self, scale: float) -> float:
        """Give a bounded variance of residuals: ``s^2 sum share 2 rho(d/s) / N``; their mean square without a loss."""
        z = self.task.standardised(self.law[None, :])[0] / scale
        cost = float((self.task.share * rating_loss.rho(self.task.loss, z)).sum())
        return max(scale**2 * 2 * cost / self.task.visits, 1e-20)

    def criterion(self, scale: float) -> float:
        """Give the Bayesian information criterion ``N ln(variance) + p ln N``."""
        n = self.task.visits
        return float(n * np.log(self.variance(scale)) + self.task.fitted * np.log(n))


def fit(
    stage: Floats,
    discharge: Floats,
    *,
    uncertainty: Floats | None = None,
    visit: NDArray[np.object_] | None = None,
    used: Flags | None = None,
    name: NDArray[np.object_] | None = None,
    choices: FitChoices | None = None,
) -> RatingFit:
    """Fit a rating to gaugings.

    Residuals of ln Q are weighted by ``1/(u^2 + r^2)``, u each gauging's relative standard uncertainty, r the remnant
    scatter of the relation, and under a loss by how far off they are. Of the shapes tried the one of least
    ``N ln(s^2) + p ln N`` is taken, s^2 the bounded variance of residuals, among those with enough gaugings in every
    segment.

    Parameters
    ----------
    stage, discharge : float arrays, shape (gaugings,)
        m and m3/s. A discharge of 0 is an observed zero: the lowest stage of zero flow is sought at or above its stage.
    uncertainty : float array, optional
        Relative standard uncertainty (k = 1), 0.03 for 3 %; NaN: the median of the others.
    visit : array, optional
        What names the visit; gaugings of one visit share one weight, a missing name is a visit by itself.
    used : bool array, optional
        Which gaugings take part; the others are only compared.
    name : array, optional
        What notes and errors call each gauging; by default its row, from 0.
    choices : FitChoices, optional

    Raises
    ------
    RatingError
        Too few gaugings, all at one stage, a zero stage at or above the lowest, reversed flow, values not finite.
    """
    choices = choices or FitChoices()
    rows = np.arange(stage.size)
    used = np.ones(stage.size, dtype=bool) if used is None else used
    u = np.full(stage.size, np.nan) if uncertainty is None else uncertainty
    gaugings = gathered(stage, discharge, u, rows.astype(object) if visit is None else visit, used, name)
    if choices.loss == "tukey" and gaugings.visits < FEW:
        choices = replace(choices, loss="huber")
    tried, refused = _try_all(gaugings, choices)
    best = min(tried, key=lambda t: t.criterion(_common(tried)))
    best, beyond = _balanced(gaugings, choices, best)
    return _result(stage, discharge, used, gaugings, best, beyond, _criterion_table(tried, refused, best))


def _common(tried: list[_Tried]) -> float:
    return min(t.scale for t in tried)


def _try_all(gaugings: Gaugings, choices: FitChoices) -> tuple[list[_Tried], list[tuple[Shape, str]]]:
    tried: list[_Tried] = []
    refused: list[tuple[Shape, str]] = []
    even = gaugings.uncertainty
    weights = precision(even, 0.0 if np.isnan(even).any() else float(np.median(even)), gaugings.share)
    levels = np.unique(gaugings.stage).size
    for shape in shapes(gaugings, choices):
        task = task_of(gaugings, choices, shape, weights)
        p = task.fitted
        least = f"{p} numbers to fit, and {gaugings.visits:g} visits at {levels} stages with flow"
        if gaugings.visits < p + 1 or levels < p:
            refused.append((shape, f"more visits than numbers to fit expected, at as many stages; found {least}"))
            continue
        laws = start.starts(task, shape.count, shape.own, shape.zero, shape.breaks)
        if not laws.shape[0]:
            why = (
                f"at least {task.fewest:g} visits in every segment expected; {gaugings.visits:g} visits cannot"
                f" be split so"
            )
            refused.append((shape, why))
            continue
        tried.append(_Tried(shape, task, *settle(task, laws)))
    if not tried:
        shape, why = refused[0]
        msg = f"{why} ({shape.count} segments, stage of zero flow {shape.words}); no rating is made"
        raise RatingError(msg)
    return tried, refused


def _balanced(gaugings: Gaugings, choices: FitChoices, best: _Tried) -> tuple[_Tried, float]:
    """Weigh again by uncertainty and remnant scatter until both agree, and return that scatter."""
    beyond = _remnant(gaugings, best)
    if np.isnan(gaugings.uncertainty).any() or np.ptp(gaugings.uncertainty) == 0:
        return best, beyond
    for _ in range(4):
        task = task_of(gaugings, choices, best.shape, precision(gaugings.uncertainty, beyond, gaugings.share))
        best = _Tried(best.shape, task, *settle(task, best.law[None, :]))
        before, beyond = beyond, _remnant(gaugings, best)
        if abs(beyond - before) <= 1e-4 * max(beyond, 1e-6):
            break
    return best, beyond


def _effective(tried: _Tried) -> tuple[Floats, Floats, float]:
    """Give z, trust, and the mean bend of the loss: 1 without outliers."""
    task = tried.task
    z = task.standardised(tried.law[None, :])[0] / tried.scale
    bent = float((task.share * rating_loss.bend(task.loss, z)).sum() / task.visits)
    return z, rating_loss.weight(task.loss, z), max(bent, 0.1)


def _remnant(gaugings: Gaugings, tried: _Tried) -> float:
    z, trust, bent = _effective(tried)
    task = tried.task
    residual = z * tried.scale / np.sqrt(task.precision)
    return remnant(residual, gaugings.uncertainty, task.share * trust / bent, task.freedom)


def _inverse(square: Floats) -> Floats:
    """Invert, what the gaugings say nothing about left out."""
    size = np.sqrt(np.maximum(np.diag(square), 1e-300))
    return np.asarray(np.linalg.pinv(square / np.outer(size, size), rcond=1e-13, hermitian=True) / np.outer(size, size))


def _covariance(tried: _Tried, gaugings: Gaugings) -> tuple[Floats, Floats]:
    """Give the law in m and m3/s and the covariance of its numbers.

    ``V = s^2 sum(share psi^2)/((N - p) mean(psi')^2) (J' W J)^-1``, as for any such estimate (Huber 1981, as
    remembered); without a loss ``S_e^2 (J' W J)^-1``. J knows how unsure each break is, found in a few rounds.
    """
    task, law, count = tried.task, tried.law, rl.segments(tried.law)
    z, trust, bent = _effective(tried)
    moves = task.free[:, ~pressed(task, law)[task.free.argmax(axis=0)]]
    worth = (task.share * task.precision)[:, None]
    freedom = task.freedom
    noise = tried.scale**2 * float((task.share * (trust * z) ** 2).sum()) / freedom / bent**2
    inverse, unsure = np.zeros((0, 0)), np.zeros(count - 1)
    for _ in range(SOFTENINGS):
        slope = rl.softened(law, task.stage, unsure, square=False) @ moves
        inverse = noise * _inverse(slope.T @ (slope * worth))
        unsure = np.sqrt(np.diag(moves @ inverse @ moves.T)[1 + 2 * count :]).clip(0.0, 1.0)
    to_metres = np.diag(np.r_[np.ones(1 + count), np.full(2 * count - 1, gaugings.span)])
    to_metres[0, 1] = -np.log(gaugings.span)
    wide = to_metres @ moves
    physical = to_metres @ law
    physical[0] += np.log(gaugings.discharge).mean()
    physical[1 + count :] += gaugings.low
    physical[1 + count] = max(physical[1 + count], gaugings.highest_zero_m)
    return physical, np.asarray(wide @ inverse @ wide.T)


def _result(
    stage: Floats, discharge: Floats, used: Flags, gaugings: Gaugings, best: _Tried, beyond: float, table: pd.DataFrame
) -> RatingFit:
    law, covariance = _covariance(best, gaugings)
    curve = replace(Curve.of_law(law), covariance=covariance)
    z, trust, bent = _effective(best)
    task = best.task
    freedom = task.freedom
    error = best.scale * np.sqrt(float((task.share * trust * z**2).sum()) / bent / freedom)
    frame = compared(curve, stage, discharge)
    frame["used"] = used
    frame["visit_share"], frame["trust"] = np.nan, np.nan
    frame.loc[gaugings.row, "visit_share"], frame.loc[gaugings.row, "trust"] = gaugings.share, trust
    return RatingFit(
        curve=curve,
        names=rl.names(best.shape.count),
        visits=task.visits,
        parameters=task.fitted,
        standard_error=float(error),
        remnant=beyond,
        lowest_m=gaugings.low,
        highest_m=float(gaugings.stage[-1]),
        zeros=gaugings.zeros,
        gaugings=frame,
        criterion=table,
        notes=notes(task, best.law, gaugings, curve, trust),
        at_bound=tuple(np.array(rl.names(best.shape.count))[pressed(task, best.law)]),
    )


def _criterion_table(tried: list[_Tried], refused: list[tuple[Shape, str]], best: _Tried) -> pd.DataFrame:
    common = _common(tried)
    rows = [
        {
            "segments": t.shape.count,
            "zero_stage": t.shape.words,
            "parameters": t.task.fitted,
            "scatter": float(np.sqrt(t.variance(common))),
            "criterion": t.criterion(common),
            "chosen": t.shape is best.shape,
            "why_not": "",
        }
        for t in tried
    ]
    rows += [
        {
            "segments": s.count,
            "zero_stage": s.words,
            "parameters": s.free().shape[1],
            "scatter": np.nan,
            "criterion": np.nan,
            "chosen": False,
            "why_not": why,
        }
        for s, why in refused
    ]
    return pd.DataFrame(rows).sort_values(["segments", "zero_stage"], kind="stable").reset_index(drop=True)
