"""Fit laws of one shape to gaugings from many starts at once: damped least squares under a loss, in bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating.loss import Loss, rho, spread, weight

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

GAP = 1e-3
"""Least head at the foot of a segment, in ranges of gauged stage (chosen: nearer, the logarithm runs away)."""

ROUNDS = 60
"""Most steps of one refinement (chosen; most settle in ten)."""

SETTLED = 1e-10
"""Relative gain under which a refinement has settled (chosen)."""

LEAST_SCALE = 1e-7
"""Scale under which residuals are rounding, in ln Q (chosen: gaugings exactly on a curve)."""


@dataclass(frozen=True)
class Task:
    """Gaugings in order of stage and the shape of law to fit to them, stages in ranges of gauged stage.

    ``free`` has shape (3 S, p): which numbers of the law move with each of the p free ones. ``lower`` and ``upper``
    bound the numbers of the law; a stage of zero flow also stays under the foot of its own segment.
    """

    stage: Floats
    log_q: Floats
    precision: Floats
    share: Floats
    free: Floats
    lower: Floats
    upper: Floats
    fewest: float
    loss: Loss

    @property
    def visits(self) -> float:
        """How many gaugings there are, a visit counted once."""
        return float(self.share.sum())

    @property
    def fitted(self) -> int:
        """How many numbers are fitted, p."""
        return int(self.free.shape[1])

    @property
    def freedom(self) -> float:
        """Residual degrees of freedom, N - p."""
        return self.visits - self.fitted

    def standardised(self, laws: Floats) -> Floats:
        """Give ln Q measured less ln Q of each law, in units of a gauging of precision 1; shape (laws, gaugings)."""
        return np.asarray((self.log_q - rl.log_discharge(laws, self.stage)) * np.sqrt(self.precision))


def pressed(task: Task, law: Floats) -> Flags:
    """Say which numbers of a law, shape (3 S,), a fit moved and left on their bound."""
    return np.asarray(task.free.any(axis=1) & ((np.abs(law - task.lower) < 1e-9) | (np.abs(law - task.upper) < 1e-9)))


def supported(task: Task, laws: Floats) -> Flags:
    """Say which laws rest on enough gaugings in every segment and run upwards."""
    _, _, _, breaks = rl.parts(laws)
    total = np.r_[0.0, np.cumsum(task.share)]
    below = total[np.searchsorted(task.stage, breaks, side="right")]
    ends = np.full((laws.shape[0], 1), total[-1])
    visits = np.diff(np.concatenate([0 * ends, below, ends], axis=1), axis=1)
    return np.asarray((visits >= task.fewest - 1e-6).all(axis=1) & (np.diff(breaks, axis=1) > 0).all(axis=1))


def with_best_line(task: Task, laws: Floats, trust: Floats) -> Floats:
    """Replace ln C and the exponents by the weighted linear best for the given stages of zero flow and breaks.

    ``trust`` has shape (laws, gaugings) or (1, gaugings). Exponents are held in their bounds.
    """
    count = rl.segments(laws)
    terms = rl.logs(laws, task.stage)
    design = np.concatenate([np.ones((*terms.shape[:2], 1)), terms], axis=2)
    weighted = design * trust[:, :, None]
    square = np.swapaxes(weighted, 1, 2) @ design
    square += 1e-12 * np.trace(square, axis1=1, axis2=2)[:, None, None] * np.eye(count + 1)
    best = np.linalg.solve(square, np.swapaxes(weighted, 1, 2) @ task.log_q[None, :, None])[:, :, 0]
    slopes = np.clip(best[:, 1:], task.lower[1 : 1 + count], task.upper[1 : 1 + count])
    left = task.log_q - (terms * slopes[:, None, :]).sum(axis=2)
    level = (trust * left).sum(axis=1) / np.broadcast_to(trust, left.shape).sum(axis=1)
    return np.concatenate([level[:, None], slopes, laws[:, 1 + count :]], axis=1)


def _bounds(task: Task, laws: Floats) -> tuple[Floats, Floats]:
    count = rl.segments(laws)
    lower, upper = np.broadcast_to(task.lower, laws.shape), np.broadcast_to(task.upper, laws.shape).copy()
    foot = slice(2 + count, 1 + 2 * count)
    upper[:, foot] = np.minimum(upper[:, foot], laws[:, 1 + 2 * count :] - GAP)
    return lower, np.maximum(upper, lower)


def _inside(task: Task, laws: Floats) -> Floats:
    moves = task.free.any(axis=1)
    lower, upper = np.broadcast_to(task.lower, laws.shape), np.broadcast_to(task.upper, laws.shape)
    clipped = np.where(moves, np.clip(laws, lower, upper), laws)
    lower, upper = _bounds(task, clipped)
    return np.where(moves, np.clip(clipped, lower, upper), clipped)


def _step(task: Task, laws: Floats, trust: Floats, damping: Floats) -> Floats:
    """Take one damped step for every law, numbers that press against their bound left where they are."""
    slope = rl.sensitivities(laws, task.stage) @ task.free
    residual = task.log_q - rl.log_discharge(laws, task.stage)
    weighted = slope * trust[:, :, None]
    square, pull = np.swapaxes(weighted, 1, 2) @ slope, (weighted * residual[:, :, None]).sum(axis=1)
    first = task.free.argmax(axis=0)
    lower, upper = (bound[:, first] for bound in _bounds(task, laws))
    at = laws[:, first]
    stuck = ((at <= lower) & (pull < 0)) | ((at >= upper) & (pull > 0))
    diagonal = np.einsum("kpp->kp", square)
    scale = np.where(stuck | (diagonal <= 0), 1.0, diagonal)
    square = np.where(stuck[:, :, None] | stuck[:, None, :], 0.0, square)
    extra = np.where(stuck, 1.0, damping[:, None] * scale + 1e-14 * scale)
    square = square + extra[:, :, None] * np.eye(square.shape[1])
    move = np.linalg.solve(square, np.where(stuck, 0.0, pull)[:, :, None])[:, :, 0]
    return _inside(task, laws + move @ task.free.T)


def refine(task: Task, laws: Floats, scale: Floats, loss: Loss, rounds: int = ROUNDS) -> tuple[Floats, Floats]:
    """Lower ``sum share rho(z)``, z residuals in scales, from every law; return the laws and what was reached.

    Parameters
    ----------
    laws : float array, shape (laws, 3 S)
    scale : float array, shape (laws,)
        In units of a gauging of precision 1.
    """
    damping = np.full(laws.shape[0], 1e-3)
    z = task.standardised(laws) / scale[:, None]
    reached = (task.share * rho(loss, z)).sum(axis=1)
    for _ in range(rounds):
        trust = task.share * task.precision * weight(loss, z)
        trial = _inside(task, with_best_line(task, _step(task, laws, trust, damping), trust))
        z_trial = task.standardised(trial) / scale[:, None]
        cost = (task.share * rho(loss, z_trial)).sum(axis=1)
        better = (cost < reached) & supported(task, trial)
        gain = np.where(better, (reached - cost) / np.maximum(reached, 1e-300), 0.0)
        laws, z = np.where(better[:, None], trial, laws), np.where(better[:, None], z_trial, z)
        reached = np.where(better, cost, reached)
        damping = np.clip(np.where(better, damping / 5, damping * 7), 1e-12, 1e9)
        if ((better & (gain < SETTLED)) | (~better & (damping >= 1e6)) | (reached < 1e-18)).all():
            break
    return laws, reached


def settle(task: Task, laws: Floats, keep: int = 4) -> tuple[Floats, float]:
    """Fit from every start and return the best law, shape (3 S,), and the robust scale of its residuals.

    With a loss, three rounds of Huber's find the scale, then Tukey's (if asked for) drops what is far off, at the least
    scale of all starts.
    """
    if task.loss == "none":
        laws, reached = refine(task, laws, np.ones(laws.shape[0]), "none")
        law = laws[int(reached.argmin())]
        return law, max(float(np.sqrt(2 * reached.min() / task.freedom)), LEAST_SCALE)
    for rounds in (8, 8, 12):
        scale = np.maximum(spread(task.standardised(laws), task.share, task.fitted), LEAST_SCALE)
        laws, _ = refine(task, laws, scale, "huber", rounds)
    for _ in range(2):
        scale = np.maximum(spread(task.standardised(laws), task.share, task.fitted), LEAST_SCALE)
        least = np.full(laws.shape[0], scale.min())
        order = np.argsort((task.share * rho(task.loss, task.standardised(laws) / least[:, None])).sum(axis=1))[:keep]
        laws, reached = refine(task, laws[order], least[order], task.loss)
    return laws[int(reached.argmin())], float(least[0])
