"""The law of a rating as numbers: segments joined without a step, and how discharge answers to each number.

Fits nothing. A law of S segments is a row of 3 S numbers: ln C of the lowest segment, S exponents beta, S stages of
zero flow e, S - 1 breaks b. The other coefficients follow, since neighbours meet at their break.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.rating.curve import Curve

Floats = NDArray[np.float64]


def segments(law: Floats) -> int:
    """Count the segments of laws of shape (..., 3 S)."""
    return int(law.shape[-1]) // 3


def parts(law: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Split laws of shape (..., 3 S) into ln C, beta, e and b."""
    count = segments(law)
    return law[..., 0], law[..., 1 : 1 + count], law[..., 1 + count : 1 + 2 * count], law[..., 1 + 2 * count :]


def names(count: int) -> tuple[str, ...]:
    """Name the numbers of a law of so many segments."""
    each = range(1, count + 1)
    return (
        "log_coefficient_1",
        *(f"exponent_{i}" for i in each),
        *(f"zero_stage_{i}" for i in each),
        *(f"break_{i}" for i in range(1, count)),
    )


def logs(law: Floats, stage: Floats) -> Floats:
    """Compute the terms each exponent multiplies: ``ln Q = ln C_1 + sum_i beta_i L_i(h)``.

    ``L_i = ln((t - e_i)/(b_(i-1) - e_i))`` with t the stage h held within the segment, ``b_(i-1) <= t <= b_i``; for
    the lowest ``L_1 = ln(t - e_1)``. So neighbours meet, and none falls while beta > 0.

    Parameters
    ----------
    law : float array, shape (laws, 3 S)
    stage : float array, shape (stages,)
        h, m.

    Returns
    -------
    float array, shape (laws, stages, S)
        NaN at or below the lowest stage of zero flow.
    """
    head, base = heads(law, stage)
    out = np.full(head.shape, np.nan)
    np.log(head / base, out=out, where=head > 0)
    return out


def heads(law: Floats, stage: Floats) -> tuple[Floats, Floats]:
    """Give each segment's head at each stage (m), shape (laws, stages, S), and at the segment's foot, (laws, 1, S)."""
    _, _, zero, breaks = parts(law)
    edge = np.full((law.shape[0], 1), np.inf)
    low, high = np.concatenate([-edge, breaks], axis=1), np.concatenate([breaks, edge], axis=1)
    within = np.minimum(np.maximum(stage[None, :, None], low[:, None, :]), high[:, None, :])
    head = within - zero[:, None, :]
    foot = np.concatenate([np.ones_like(edge), breaks - zero[:, 1:]], axis=1)
    return head, foot[:, None, :]


def log_discharge(law: Floats, stage: Floats) -> Floats:
    """Compute ln Q (Q in m3/s) of laws (laws, 3 S) at stages (m); NaN where nothing flows."""
    first, exponent, _, _ = parts(law)
    return np.asarray(first[:, None] + (logs(law, stage) * exponent[:, None, :]).sum(axis=2))


def sensitivities(law: Floats, stage: Floats) -> Floats:
    """Differentiate ln Q by every number of the law.

    ``d/d ln C_1 = 1``, ``d/d beta_i = L_i``, ``d/d e_i = beta_i (1/(b_(i-1) - e_i) - 1/(t - e_i))``, the first term
    not for the lowest, and above b_j ``d/d b_j = beta_j/(b_j - e_j) - beta_(j+1)/(b_j - e_(j+1))`` (derived).

    Returns
    -------
    float array, shape (laws, stages, 3 S)
        NaN where nothing flows.
    """
    _, exponent, zero, breaks = parts(law)
    head, foot = heads(law, stage)
    flows = head > 0
    inverse = np.divide(1.0, head, out=np.full(head.shape, np.nan), where=flows)
    term = np.full(head.shape, np.nan)
    np.log(head / foot, out=term, where=flows)
    lift = 1 / foot
    lift[:, :, 0] = 0.0
    by_zero = exponent[:, None, :] * (lift - inverse)
    jump = exponent[:, :-1] / (breaks - zero[:, :-1]) - exponent[:, 1:] / (breaks - zero[:, 1:])
    by_break = (stage[None, :, None] > breaks[:, None, :]) * jump[:, None, :]
    return np.concatenate([np.ones((*head.shape[:2], 1)), term, by_zero, by_break], axis=2)


def curve_of(law: Floats) -> Curve:
    """Make the curve of one law (3 S,); its lowest segment begins at the stage of zero flow."""
    first, exponent, zero, breaks = parts(law)
    foot, top = breaks - zero[1:], breaks - zero[:-1]
    rise = np.r_[0.0, np.cumsum(exponent[:-1] * np.log(top) - exponent[1:] * np.log(foot))]
    return Curve(np.r_[zero[:1], breaks], np.exp(first + rise), zero.copy(), exponent.copy())


def law_of(curve: Curve) -> Floats:
    """Give the law of a curve whose segments meet, shape (3 S,)."""
    return np.r_[np.log(curve.coefficient[:1]), curve.exponent, curve.zero_m, curve.lower_m[1:]]
