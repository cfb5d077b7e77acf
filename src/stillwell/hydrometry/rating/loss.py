"""Losses that keep one wild gauging from bending a rating, and scales that it cannot stretch.

Each loss is given by rho, its derivative psi over z (the weight) and the derivative of psi, z being a residual in
scales.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Loss = Literal["none", "huber", "tukey"]

HUBER, TUKEY = 1.345, 4.685
"""Tuning constants giving 95 % efficiency at the normal distribution (as remembered: the usual ones)."""

NORMAL_MAD = 1.4826
"""Standard deviation over median absolute deviation of a normal distribution (an identity)."""


def weight(loss: Loss, z: Floats) -> Floats:
    """Return psi(z)/z: 1 for a gauging fully believed, 0 for one not at all."""
    if loss == "huber":
        return np.asarray(HUBER / np.maximum(np.abs(z), HUBER))
    if loss == "tukey":
        return np.asarray((1 - np.minimum(np.abs(z) / TUKEY, 1.0) ** 2) ** 2)
    return np.ones_like(z)


def rho(loss: Loss, z: Floats) -> Floats:
    """Return the loss itself; ``z^2/2`` where nothing is robust."""
    size = np.abs(z)
    if loss == "huber":
        near = np.minimum(size, HUBER)
        return np.asarray(near * size - near**2 / 2)
    if loss == "tukey":
        return np.asarray(TUKEY**2 / 6 * (1 - (1 - np.minimum(size / TUKEY, 1.0) ** 2) ** 3))
    return np.asarray(z**2 / 2)


def bend(loss: Loss, z: Floats) -> Floats:
    """Return the derivative of psi."""
    if loss == "huber":
        return (np.abs(z) <= HUBER).astype(float)
    if loss == "tukey":
        part = np.minimum(np.abs(z) / TUKEY, 1.0) ** 2
        return np.asarray((1 - part) * (1 - 5 * part))
    return np.ones_like(z)


def spread(residual: Floats, share: Floats, fitted: int) -> Floats:
    """Estimate the scale of each row by ``1.4826 median|d|``, the ``fitted`` least residuals set aside.

    As many residuals as numbers fitted can be made nearly 0 and say nothing; counted in, they shrink the scale of a
    rich law.

    Parameters
    ----------
    residual : float array, shape (rows, gaugings)
    share : float array, shape (gaugings,)
        1 over the number of gaugings of the visit.
    fitted : int
        p.

    Returns
    -------
    float array, shape (rows,)
    """
    size = np.abs(residual)
    order = np.argsort(size, axis=1)
    total = np.cumsum(share[order], axis=1)
    middle = (total >= (total[:, -1:] + fitted) / 2).argmax(axis=1)
    return np.asarray(NORMAL_MAD * np.take_along_axis(size, np.take_along_axis(order, middle[:, None], 1), 1)[:, 0])
