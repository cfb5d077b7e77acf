"""Where stage alone does not fix discharge: fall between two gauges, and rising or falling water. Fits nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stillwell.errors import RatingError

Floats = NDArray[np.float64]


def fall_exponent(falls: tuple[float, float], discharges: tuple[float, float]) -> float:
    """Compute m of ``Q/Q_r = (F/F_r)^m`` from two gaugings at one stage; near 0.5 in most rivers (as remembered).

    Parameters
    ----------
    falls, discharges : pair of floats
        F (m) and Q (m3/s), all above 0, falls apart.
    """
    if min(*falls, *discharges) <= 0 or falls[0] == falls[1]:
        msg = (
            f"two different falls and discharges above 0 expected, found {falls} m and {discharges} m3/s; no"
            f" exponent is given"
        )
        raise RatingError(msg)
    return float(np.log(discharges[1] / discharges[0]) / np.log(falls[1] / falls[0]))


def by_fall(reference_discharge: Floats, fall: Floats, reference_fall: Floats, exponent: float = 0.5) -> Floats:
    """Compute ``Q = Q_r (F/F_r)^m`` (m3/s); NaN where a fall is not above 0, where the relation says nothing."""
    ratio = np.full(np.broadcast(fall, reference_fall).shape, np.nan)
    np.divide(fall, reference_fall, out=ratio, where=(reference_fall > 0) & (fall > 0))
    return np.asarray(reference_discharge * ratio**exponent)


def rising(steady: Floats, rate: Floats, celerity: Floats, slope: float) -> Floats:
    """Compute Jones's ``Q = Q_s sqrt(1 + (dh/dt)/(c S_0))`` (m3/s).

    Parameters
    ----------
    steady : float array
        Q_s of the rating, m3/s.
    rate : float array
        dh/dt, m/s, above 0 on a rise.
    celerity : float array
        c of the flood wave, m/s; about 1.3 to 1.7 mean velocities (as remembered).
    slope : float
        S_0 of the bed, 1.

    Returns
    -------
    float array
        NaN where the correction passes half, beyond which the formula is not used (``|dy/dx|/S_0 < 0.5``: Perumal et
        al. 2004, abstract read, dy/dx taken as ``-(dh/dt)/c``).
    """
    part = rate / (celerity * slope)
    root = np.sqrt(np.maximum(1 + part, 0.0))
    return np.asarray(np.where(np.abs(part) < 0.5, steady * root, np.nan))
