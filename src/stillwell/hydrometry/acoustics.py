"""Speed of sound in water, and what a wrong one does to an acoustic velocity."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FRESH = (1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9)
"""Marczak 1997, fresh water at one atmosphere, 0 to 95 degrees Celsius: coefficients of rising powers (remembered; they
reproduce 1482.34 m/s at 20 degrees within 0.04)."""

RANGE_C = (0.0, 40.0)
SALTIEST = 45.0


def sound_speed_m_s(temperature_c: Floats, salinity_ppt: Floats) -> Floats:
    """Compute the speed of sound at the surface.

    Fresh (S = 0): ``c = sum(a_k T^k)``, Marczak 1997. With salinity the difference of Coppens 1981 between S and 0 is
    added: ``(1.333 - 0.126 t + 0.009 t^2) S``, ``t = T/10``.

    Parameters
    ----------
    temperature_c : float array
        T, degrees Celsius.
    salinity_ppt : float array
        S, parts per thousand; missing means fresh.

    Returns
    -------
    float array
        m/s; NaN outside 0 to 40 degrees or above 45 parts per thousand.

    Notes
    -----
    Coppens 1981 was read (tsuchiya2.org), Marczak is remembered. Greenspan and Tschiegg 1959 (read) lies 0.02 % higher.
    """
    t = np.asarray(temperature_c, dtype="float64")
    s = np.nan_to_num(np.asarray(salinity_ppt, dtype="float64"))
    fresh = np.polynomial.polynomial.polyval(t, FRESH)
    tenth = t / 10
    speed = fresh + (1.333 - 0.126 * tenth + 0.009 * tenth**2) * s
    inside = (t >= RANGE_C[0]) & (t <= RANGE_C[1]) & (s <= SALTIEST)
    return np.where(inside, speed, np.nan)


def velocity_factor(gaugings: pd.DataFrame) -> Floats:
    """Say by what an acoustic velocity of each gauging is to be multiplied: ``v_true = v c_true / c_used``.

    Parameters
    ----------
    gaugings : DataFrame
        ``water_temperature_c`` and ``salinity_ppt`` as measured beside the meter give c_true;
        ``meter_sound_speed_m_s``, else ``meter_temperature_c`` and ``meter_salinity_ppt``, give c_used.

    Returns
    -------
    float array, shape (gaugings,)
        1 where either is unknown.

    Notes
    -----
    For meters that measure along the beam by the Doppler shift; other geometries scale otherwise (as remembered).
    """

    def column(name: str) -> Floats:
        return gaugings[name].to_numpy(dtype="float64", na_value=np.nan)

    salinity = column("salinity_ppt")
    true = sound_speed_m_s(column("water_temperature_c"), salinity)
    set_salinity = np.where(np.isnan(column("meter_salinity_ppt")), salinity, column("meter_salinity_ppt"))
    used = column("meter_sound_speed_m_s")
    used = np.where(np.isnan(used), sound_speed_m_s(column("meter_temperature_c"), set_salinity), used)
    factor = true / used
    return np.where(np.isnan(factor), 1.0, factor)
