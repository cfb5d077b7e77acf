"""Speed of sound in water, and what a wrong one does to an acoustic velocity."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FRESH = (1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9)
"""Marczak 1997, fresh water at one atmosphere: coefficients of rising powers of the temperature. Remembered, then read
in two public transcriptions. A third prints -5.779136e-2, which lies 0.08 m/s higher at 20 degrees and off Bilaniuk and
Wong 1993."""

FRESH_RANGE_C = (0.0, 95.0)
"""Where Marczak 1997 holds (read)."""

SALT_RANGE_C = (0.0, 35.0)
"""Where Coppens 1981 holds (read)."""

SALTIEST_PPT = 45.0
"""Salinity up to which Coppens 1981 holds (read; another page says 42)."""


def sound_speed_m_s(temperature_c: Floats, salinity_ppt: Floats | float = 0.0) -> Floats:
    """Compute the speed of sound at the surface.

    Fresh (S = 0): ``c = sum(a_k T^k)``, Marczak 1997. With salinity the difference of Coppens 1981 between S and 0 is
    added: ``(1.333 - 0.126 t + 0.009 t^2) S``, ``t = T/10``.

    Parameters
    ----------
    temperature_c : float array
        T, degrees Celsius.
    salinity_ppt : float array or float
        S, parts per thousand; missing means fresh.

    Returns
    -------
    float array
        m/s; NaN outside 0 to 95 degrees (with salinity 0 to 35) or outside 0 to 45 parts per thousand.

    Notes
    -----
    Marczak 1997, J. Acoust. Soc. Am. 102, 2776, is chosen over Greenspan and Tschiegg 1959 (read, Wilkes 1997), which
    lies 0.02 % above it and above Bilaniuk and Wong 1993 (read). Coppens 1981 was read (tsuchiya2.org).
    """
    t = np.asarray(temperature_c, dtype="float64")
    s = np.nan_to_num(np.asarray(salinity_ppt, dtype="float64"))
    inside = (t >= FRESH_RANGE_C[0]) & (t <= np.where(s > 0, SALT_RANGE_C[1], FRESH_RANGE_C[1]))
    inside &= (s >= 0) & (s <= SALTIEST_PPT)
    t, s = np.where(inside, t, np.nan), np.where(inside, s, np.nan)
    tenth = t / 10
    return np.polynomial.polynomial.polyval(t, FRESH) + (1.333 - 0.126 * tenth + 0.009 * tenth**2) * s


def sound_speed_ratio(
    water_temperature_c: Floats,
    salinity_ppt: Floats,
    meter_temperature_c: Floats,
    meter_salinity_ppt: Floats,
    meter_sound_speed_m_s: Floats,
) -> Floats:
    """Compute ``c_true / c_used``: by what an indicated velocity is to be multiplied, ``v_true = v c_true / c_used``.

    Parameters
    ----------
    water_temperature_c, salinity_ppt : float array
        Of an independent thermometer and of the water: they give c_true; a missing salinity means fresh.
    meter_temperature_c, meter_salinity_ppt : float array
        What the meter computed with: they give c_used where the meter did not say it. A missing salinity of the meter
        means that it knew the true one, so that only its thermometer is at fault.
    meter_sound_speed_m_s : float array
        c_used as the meter said it; goes before its temperature.

    Returns
    -------
    float array
        Of the shape of the arguments; NaN where either speed is unknown.

    Notes
    -----
    Physics of a Doppler shift along the beam; meters of other geometry scale otherwise (as remembered).
    """
    true = sound_speed_m_s(water_temperature_c, salinity_ppt)
    salinity = np.where(np.isnan(meter_salinity_ppt), salinity_ppt, meter_salinity_ppt)
    used = np.where(meter_sound_speed_m_s > 0, meter_sound_speed_m_s, np.nan)
    used = np.where(np.isnan(used), sound_speed_m_s(meter_temperature_c, salinity), used)
    return np.asarray(true / used)


def velocity_factor(gaugings: pd.DataFrame) -> Floats:
    """Say by what an acoustic velocity of each gauging is to be multiplied: ``sound_speed_ratio``, 1 where unknown.

    Parameters
    ----------
    gaugings : DataFrame
        ``water_temperature_c``, ``salinity_ppt``, ``meter_temperature_c``, ``meter_salinity_ppt``,
        ``meter_sound_speed_m_s``.

    Returns
    -------
    float array, shape (gaugings,)
    """

    def column(name: str) -> Floats:
        return gaugings[name].to_numpy(dtype="float64", na_value=np.nan)

    ratio = sound_speed_ratio(
        column("water_temperature_c"),
        column("salinity_ppt"),
        column("meter_temperature_c"),
        column("meter_salinity_ppt"),
        column("meter_sound_speed_m_s"),
    )
    return np.where(np.isnan(ratio), 1.0, ratio)
