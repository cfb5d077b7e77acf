"""The law of a rating as numbers: segments joined without a step, and how discharge answers to each number.

Fits nothing. A law of S segments is a row of 3 S numbers: ln C of the lowest segment, S exponents beta, S stages of
zero flow e, S - 1 breaks b. The other coefficients follow, since neighbours meet at their break.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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


def softened(law: Floats, stage: Floats, unsure: Floats, square: bool) -> Floats:
    """Differentiate ln Q by every number of a law whose breaks are known to a standard uncertainty only.

    Moving a break from b to b' changes ln Q at h by its jump of slope times ``min(b', h) - min(b, h)``: nothing under
    both, all above both. With b' normal about b, standard uncertainty s and ``z = (h - b)/s``, the mean of the
    derivative is ``Phi(z)`` where the plain one steps from 0 to 1, and the root of the mean square change over s is
    ``sqrt((z^2 + 1) Phi(z) + z phi(z))`` below b and ``sqrt(Phi(z) - z phi(z) + z^2 (1 - Phi(z)))`` above (derived).
    Without this a band knows nothing of a break just above.

    Parameters
    ----------
    law : float array, shape (3 S,)
    unsure : float array, shape (S - 1,)
        s, m; 0 of a break that is given.
    square : bool
        The root mean square, for bands; else the mean, for information.

    Returns
    -------
    float array, shape (stages, 3 S)
    """
    from scipy import special  # here, so that whoever only reads ratings starts without it

    slope = sensitivities(law[None, :], stage)[0]
    _, _, _, breaks = parts(law)
    if not breaks.size:
        return slope
    jump = sensitivities(law[None, :], np.array([np.inf]))[0, :, -breaks.size :]
    ahead = stage[:, None] - breaks
    z = np.divide(ahead, unsure, out=np.where(ahead > 0, np.inf, -np.inf), where=unsure > 0).clip(-8.0, 8.0)
    below, density = special.ndtr(z), np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    part = below
    if square:
        low, high = (z**2 + 1) * below + z * density, below - z * density + z**2 * (1 - below)
        part = np.sqrt(np.maximum(np.where(z < 0, low, high), 0.0))
    slope[:, -breaks.size :] = np.where(np.isnan(slope[:, -breaks.size :]), np.nan, part * jump)
    return slope
