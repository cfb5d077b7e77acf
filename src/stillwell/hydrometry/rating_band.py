"""How sure a rating is at any stage, from its curve and the covariance of its numbers. Fits nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stillwell.hydrometry import rating_law as rl
from stillwell.hydrometry.curve import Curve

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


def mean_relation(curve: Curve, covariance: Floats, stage: Floats) -> Floats:
    """Compute the standard uncertainty of the mean relation, ``S_mr^2 = g V g'`` (of ln Q, 1).

    g are the derivatives of ln Q by ln C_1, every beta, e and b (``rating_law.sensitivities``), V their covariance.
    For one segment with e given this is the textbook ``S_e sqrt(1/N + (X - Xbar)^2/Sxx)`` exactly.

    Parameters
    ----------
    covariance : float array, shape (3 S, 3 S)
        As ``RatingFit.covariance``: in the order of ``rating_law.names``, stages in m.
    stage : float array, shape (stages,)
        m.

    Returns
    -------
    float array, shape (stages,)
        NaN where nothing flows.
    """
    g = rl.sensitivities(rl.law_of(curve)[None, :], stage)[0]
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
    times = float(stats.t.ppf(0.5 + level / 200, freedom))
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
