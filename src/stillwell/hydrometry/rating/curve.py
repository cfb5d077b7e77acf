"""A rating as segments of power laws: stage to discharge and back, and how sure it is. Fits nothing, marks nothing."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.rating import law as rl

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HALVES = (1.0, 1.5, 2.0, 2.5, 3.0)
"""Exponents that are raised by products and roots, which is faster."""


def _unknown() -> Floats:
    return np.zeros((0, 0))


@dataclass(frozen=True)
class Curve:
    """``Q = C (h - e)^beta`` segment by segment, from the lowest up; a ``Rating``.

    ``lower_m`` (m): stage from which each segment holds, rising; the first holds below it too. ``coefficient`` C
    (m3/s per m^beta), ``zero_m`` e (m), ``exponent`` beta (1): float arrays of shape (segments,). ``covariance``: of
    the numbers of its law, shape (3 S, 3 S) in the order of ``rating.law.names``, stages in m; empty where unknown.
    """

    lower_m: Floats
    coefficient: Floats
    zero_m: Floats
    exponent: Floats
    covariance: Floats = field(default_factory=_unknown)

    @classmethod
    def of_law(cls, law: Floats) -> Curve:
        """Make the curve of one law (3 S,); its lowest segment begins at the stage of zero flow."""
        first, exponent, zero, breaks = rl.parts(law)
        foot, top = breaks - zero[1:], breaks - zero[:-1]
        rise = np.r_[0.0, np.cumsum(exponent[:-1] * np.log(top) - exponent[1:] * np.log(foot))]
        return cls(np.r_[zero[:1], breaks], np.exp(first + rise), zero.copy(), exponent.copy())

    @property
    def law(self) -> Floats:
        """The law of a curve whose segments meet, shape (3 S,)."""
        return np.r_[np.log(self.coefficient[:1]), self.exponent, self.zero_m, self.lower_m[1:]]

    @property
    def zero_flow_m(self) -> float:
        """Stage at and below which nothing flows: e of the lowest segment, m."""
        return float(self.zero_m[0])

    @property
    def support_m(self) -> tuple[float, float]:
        """Stages (m) at which the lowest and the highest segment begin; they go on below and above."""
        return float(self.lower_m[0]), float(self.lower_m[-1])

    def segment(self, stage: Floats) -> Ints:
        """Return which segment holds at each stage (m), from 0."""
        return np.maximum(np.searchsorted(self.lower_m, stage, side="right") - 1, 0)

    def discharge(self, stage: Floats) -> Floats:
        """Compute ``Q = C (h - e)^beta`` (m3/s) of stages h (m); 0 at or below e, NaN of a missing stage."""
        at = self.segment(stage)
        head = np.maximum(stage - self.zero_m[at], 0.0)
        return np.asarray(self.coefficient[at] * head ** self.exponent[at])

    def slope(self, stage: Floats) -> Floats:
        """Compute ``dQ/dh = beta Q / (h - e)`` (m2/s) of stages h (m); 0 at or below e."""
        at = self.segment(stage)
        head = stage - self.zero_m[at]
        flows = head > 0
        rate = np.where(np.isnan(stage), np.nan, 0.0)
        return np.divide(self.exponent[at] * self.discharge(stage), head, out=rate, where=flows)

    def stage(self, discharge: Floats) -> Floats:
        """Invert the curve: the stage h (m) of a discharge (m3/s), in a jump by the lower segment; NaN below 0."""
        tops = np.r_[self.discharge(self.lower_m)[1:], np.inf]
        at = np.minimum(np.searchsorted(tops, discharge, side="right"), self.lower_m.size - 1)
        known = discharge >= 0
        part = np.divide(discharge, self.coefficient[at], out=np.full(np.shape(discharge), np.nan), where=known)
        return np.asarray(self.zero_m[at] + part ** (1 / self.exponent[at]))

    def responses(self, stage: Floats) -> Floats:
        """Compute the derivatives g of ln Q by the numbers of the law, shape (stages, 3 S): see ``law.softened``."""
        unsure = np.sqrt(np.diag(self.covariance)[1 + 2 * self.lower_m.size :])
        return rl.softened(self.law, stage, unsure, square=True)

    def uncertainty(self, stage: Floats) -> Floats:
        """Compute the standard uncertainty of the mean relation, ``S_mr^2 = g V g'`` (of ln Q, 1).

        g are the derivatives of ln Q by ln C_1, every beta, e and b (``responses``), V their covariance.
        For one segment with e given this is the textbook ``S_e sqrt(1/N + (X - Xbar)^2/Sxx)`` exactly.

        Parameters
        ----------
        stage : float array, shape (stages,)
            m.

        Returns
        -------
        float array, shape (stages,)
            NaN where nothing flows, and everywhere without a covariance.
        """
        if not self.covariance.size:
            return np.full(stage.shape, np.nan)
        g = self.responses(stage)
        return np.asarray(np.sqrt(np.maximum(((g @ self.covariance) * g).sum(axis=1), 0.0)))

    def rated(self, stage: Floats, u_stage: Floats) -> tuple[Floats, Floats]:
        """Compute discharge and what an unsure stage makes of it, in one pass.

        Close to the stage of zero flow, where the slope vanishes but stage is still unsure, ``(dQ/dh) u`` is never
        taken as less than ``C (u + min(h - e, 0))^beta``.

        Parameters
        ----------
        stage : float array, shape (values,)
            m, shift included; NaN where missing.
        u_stage : float array, shape (values,) or ()
            Standard uncertainty u of stage and shift together, m.

        Returns
        -------
        discharge, part : float arrays, shape (values,)
            m3/s.
        """
        factor: Floats | np.float64
        zero: Floats | np.float64
        power: Floats | np.float64
        if self.lower_m.size == 1:
            factor, zero, power = self.coefficient[0], self.zero_m[0], self.exponent[0]
        else:
            at = np.zeros(stage.size, dtype=np.int64)
            for lower in self.lower_m[1:]:
                at += stage >= lower
            factor, zero, power = self.coefficient.take(at), self.zero_m.take(at), self.exponent.take(at)
        above = stage - zero
        head = np.maximum(above, 0.0)
        discharge = factor * _raised(head, power)
        near = np.flatnonzero(~(above > u_stage))
        with np.errstate(divide="ignore", invalid="ignore"):
            part = power * discharge
            part /= head
            part *= u_stage
        if near.size:
            c, b = (np.broadcast_to(v, stage.shape)[near] for v in (factor, power))
            u = np.broadcast_to(u_stage, stage.shape)[near]
            least = c * np.maximum(u + np.minimum(above[near], 0.0), 0.0) ** b
            part[near] = np.where(head[near] > 0, np.maximum(part[near], least), least)
        return np.asarray(discharge), np.asarray(part)


def _raised(head: Floats, power: Floats | np.float64) -> Floats:
    """Raise to a power, by roots and products where one power holds for all and is one of ``HALVES``."""
    if np.ndim(power) or power not in HALVES:
        return np.asarray(head**power)
    out = head.copy()
    for _ in range(int(power) - 1):
        out *= head
    if power % 1:
        out *= np.sqrt(head)
    return out
