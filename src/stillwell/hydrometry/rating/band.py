"""How sure a rating is at any stage, from its curve and the covariance of its numbers. Fits nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special  # scipy.stats takes every process another second to import

from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating.curve import Curve

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Band:
    """A rating at some stages with its limits (m3/s); relative standard uncertainties are of ln Q (1).

    Below the stage of zero flow discharge is 0 and how sure that is cannot be said: NaN.
    """

    discharge: Floats
    mean_relation: Floats
    """S_mr."""
    lower: Floats
    upper: Floats
    gauging_lower: Floats
    """Where one more gauging would lie."""
    gauging_upper: Floats


def softened(law: Floats, stage: Floats, doubt: Floats, square: bool) -> Floats:
    """Differentiate ln Q by every number of a law whose breaks are known to a standard uncertainty only.

    Moving a break from b to b' changes ln Q at h by its jump of slope times ``min(b', h) - min(b, h)``: nothing under
    both, all above both. With b' normal about b, standard uncertainty s and ``z = (h - b)/s``, the mean of the
    derivative is ``Phi(z)`` where the plain one steps from 0 to 1, and the root of the mean square change over s is
    ``sqrt((z^2 + 1) Phi(z) + z phi(z))`` below b and ``sqrt(Phi(z) - z phi(z) + z^2 (1 - Phi(z)))`` above (derived).
    Without this a band knows nothing of a break just above.

    Parameters
    ----------
    law : float array, shape (3 S,)
    doubt : float array, shape (S - 1,)
        s, m; 0 of a break that is given.
    square : bool
        The root mean square, for bands; else the mean, for information.

    Returns
    -------
    float array, shape (stages, 3 S)
    """
    slope = rl.sensitivities(law[None, :], stage)[0]
    _, _, _, breaks = rl.parts(law)
    if not breaks.size:
        return slope
    jump = rl.sensitivities(law[None, :], np.array([np.inf]))[0, :, -breaks.size :]
    ahead = stage[:, None] - breaks
    z = np.divide(ahead, doubt, out=np.where(ahead > 0, np.inf, -np.inf), where=doubt > 0).clip(-8.0, 8.0)
    below, density = special.ndtr(z), np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    part = below
    if square:
        low, high = (z**2 + 1) * below + z * density, below - z * density + z**2 * (1 - below)
        part = np.sqrt(np.maximum(np.where(z < 0, low, high), 0.0))
    slope[:, -breaks.size :] = np.where(np.isnan(slope[:, -breaks.size :]), np.nan, part * jump)
    return slope


def responses(curve: Curve, covariance: Floats, stage: Floats) -> Floats:
    """Give the derivatives g a band is made with, shape (stages, 3 S): those of ``softened``, root mean square."""
    doubt = np.sqrt(np.diag(covariance)[1 + 2 * curve.lower_m.size :])
    return softened(rl.law_of(curve), stage, doubt, square=True)


def mean_relation(curve: Curve, covariance: Floats, stage: Floats) -> Floats:
    """Compute the standard uncertainty of the mean relation, ``S_mr^2 = g V g'`` (of ln Q, 1).

    g are the derivatives of ln Q by ln C_1, every beta, e and b (``softened``), V their covariance.
    For one segment with e given this is the textbook ``S_e sqrt(1/N + (X - Xbar)^2/Sxx)`` exactly.

    Parameters
    ----------
    covariance : float array, shape (3 S, 3 S)
        As ``RatingFit.covariance``: in the order of ``rating.law.names``, stages in m.
    stage : float array, shape (stages,)
        m.

    Returns
    -------
    float array, shape (stages,)
        NaN where nothing flows.
    """
    g = responses(curve, covariance, stage)
    return np.asarray(np.sqrt(np.maximum(((g @ covariance) * g).sum(axis=1), 0.0)))


def band(
    curve: Curve, covariance: Floats, standard_error: float, freedom: float, stage: Floats, level: float = 95
) -> Band:
    """Compute limits ``Q exp(+-t S)``: S = S_mr for the relation, ``sqrt(S_e^2 + S_mr^2)`` for one more gauging.

    Parameters
    ----------
    standard_error : float
        S_e, of ln Q.
    freedom : float
        Residual degrees of freedom of Student's t.
    level : float
        Percent.
    """
    times = float(special.stdtrit(freedom, 0.5 + level / 200))
    discharge = curve.discharge(stage)
    relation = mean_relation(curve, covariance, stage)
    one = np.hypot(relation, standard_error)
    with np.errstate(over="ignore"):
        return Band(
            discharge,
            relation,
            discharge * np.exp(-times * relation),
            discharge * np.exp(times * relation),
            discharge * np.exp(-times * one),
            discharge * np.exp(times * one),
        )
