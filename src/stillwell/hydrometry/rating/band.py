"""Limits of a rating at any stage, from its own uncertainty. Fits nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special  # scipy.stats takes every process another second to import

from stillwell.hydrometry.rating.rating import Rating

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


def band(rating: Rating, standard_error: float, freedom: float, stage: Floats, level: float = 95) -> Band:
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
    discharge = rating.discharge(stage)
    relation = rating.uncertainty(stage)
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
