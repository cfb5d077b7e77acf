"""Readings of a sensor to stage, and a check of their unit. Converts only when asked; the reading itself is kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PSI_PA = 6894.757293168361
"""One pound-force per square inch in Pa: 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)^2, each exact by definition."""

UNITS_M = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}


def stage_from_range(range_m: Floats, sensor_m: float | Floats) -> Floats:
    """Turn the distance down to the water into stage: ``h = z - r``.

    Parameters
    ----------
    range_m : float array
        r, distance from sensor to surface, m; NaN where missing.
    sensor_m : float or float array
        z, height of the sensor above the gauge's zero, m.

    Returns
    -------
    float array
        m.
    """
    return np.asarray(sensor_m - range_m)


def gravity(latitude_deg: float) -> float:
    """Compute normal gravity (m/s2) at sea level by latitude.

    ``g = g_e (1 + k sin^2 p) / sqrt(1 - e^2 sin^2 p)``, p latitude; g_e 9.7803253359, k 0.00193185265241,
    e^2 0.00669437999013 (WGS 84, as remembered). Height takes 3e-6 m/s2 per metre and is left out.
    """
    s = np.sin(np.radians(latitude_deg)) ** 2
    return float(9.7803253359 * (1 + 0.00193185265241 * s) / np.sqrt(1 - 0.00669437999013 * s))


def water_density(temperature_c: float | Floats) -> Floats:
    """Compute the density of fresh water (kg/m3) without air at 1 atm.

    ``rho = (999.83952 + 16.945176 T - 7.9870401e-3 T^2 - 46.170461e-6 T^3 + 105.56302e-9 T^4 - 280.54253e-12 T^5) /
    (1 + 16.879850e-3 T)``, T in degrees Celsius, 0 to 100 (Kell 1975, as remembered). Sediment and salt make water
    heavier.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    terms = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
    return np.asarray(np.polynomial.polynomial.polyval(t, terms) / (1 + 16.879850e-3 * t))


def air_pressure(altitude_m: float) -> float:
    """Compute the mean pressure of the air (Pa) by altitude: ``101325 (1 - 2.25577e-5 z)^5.25588``.

    Standard atmosphere, as remembered; z altitude, m, up to 11,000.
    Weather moves the true pressure by 1 to 3 kPa, which is 0.1 to 0.3 m of water.
    """
    return float(101_325.0 * (1 - 2.25577e-5 * altitude_m) ** 5.25588)


def stage_from_pressure(
    pressure_pa: Floats,
    sensor_m: float,
    density_kg_m3: float | Floats,
    gravity_m_s2: float,
    air_pa: float | Floats = 0.0,
) -> Floats:
    """Turn pressure at a sensor into stage: ``h = z + (p - p_air) / (rho g)``.

    Parameters
    ----------
    pressure_pa : float array
        p, Pa: against the air for a vented sensor, else absolute. NaN where missing.
    sensor_m : float
        z, height of the sensor above the gauge's zero, m.
    density_kg_m3, gravity_m_s2 : float
        rho and g; no default, since 4 in a thousand of depth hang on them.
    air_pa : float or float array
        p_air, Pa: 0 for a vented sensor; a barometer's pressure at the same times (``barometer_at``); one constant
        where there is no barometer, and then with ``weather_uncertainty``.

    Returns
    -------
    float array
        m.
    """
    return np.asarray(sensor_m + (pressure_pa - air_pa) / (density_kg_m3 * gravity_m_s2))


def weather_uncertainty(air_sd_pa: float, density_kg_m3: float, gravity_m_s2: float) -> float:
    """Compute how unsure stage is without barometer (m): ``u = s / (rho g)``, s standard deviation of air pressure."""
    return float(air_sd_pa / (density_kg_m3 * gravity_m_s2))


def barometer_at(time_us: Ints, barometer_us: Ints, air_pa: Floats, bridged_s: float) -> Floats:
    """Interpolate a barometer at the times of a logger.

    Parameters
    ----------
    time_us : int array, shape (values,)
    barometer_us : int array, shape (readings,)
        Rising.
    air_pa : float array, shape (readings,)
        NaN where missing.
    bridged_s : float
        Longest time between two readings that is bridged, s.

    Returns
    -------
    float array, shape (values,)
        Pa; NaN beyond the barometer's record and in its gaps.
    """
    known = np.isfinite(air_pa)
    return interpolated(time_us, barometer_us[known], air_pa[known], bridged_s)


def interpolated(time_us: Ints, at_us: Ints, value: Floats, bridged_s: float) -> Floats:
    """Interpolate values at times that rise; NaN beyond them and where neighbours lie too far apart."""
    if not at_us.size:
        return np.full(time_us.size, np.nan)
    low = np.clip(np.searchsorted(at_us, time_us, side="right") - 1, 0, at_us.size - 1)
    high = np.minimum(low + 1, at_us.size - 1)
    span = (at_us[high] - at_us[low]) * 1e-6
    part = np.divide((time_us - at_us[low]) * 1e-6, span, out=np.zeros(time_us.size), where=span > 0)
    out = value[low] + part * (value[high] - value[low])
    on_point = time_us == at_us[low]
    inside = on_point | ((time_us > at_us[0]) & (time_us < at_us[-1]) & (span <= bridged_s))
    return np.asarray(np.where(inside, out, np.nan))


@dataclass(frozen=True)
class UnitFinding:
    """A series that answers to the gauge better in another unit than the one its column names.

    ``misfit_m`` median distance from the readings in ``unit``; ``misfit_as_given_m`` the same as metres;
    ``readings`` how many were compared; ``level_left_out`` that only rises and falls were compared, since no unit
    brings the series to the gauge's zero.
    """

    unit: str
    misfit_m: float
    misfit_as_given_m: float
    readings: int
    level_left_out: bool


def unit_finding(
    series_m: Floats, readings_m: Floats, least_readings: int = 3, within_m: float = 0.1, better: float = 5.0
) -> UnitFinding | None:
    """Check the unit of a stage column by the readings of the gauge.

    For each unit f, ``misfit = median |r - f s|``: r reading of the gauge (m), s value of the series at that time. A
    unit is named when its misfit is within ``within_m`` and at least ``better`` times smaller than as metres. Where
    nothing serves and the readings range over ``10 within_m`` at least, both are tried less their medians.

    Parameters
    ----------
    series_m : float array, shape (readings,)
        Values of the series in its metre column at the times of the readings; NaN where missing.
    readings_m : float array, shape (readings,)
        Readings of the gauge, m.
    least_readings, within_m, better : int, float, float
        Common practice, no source.

    Returns
    -------
    UnitFinding or None
        None where metres serve, or nothing serves, or there are too few readings. Nothing is converted.
    """
    both = np.isfinite(series_m) & np.isfinite(readings_m)
    if both.sum() < least_readings:
        return None
    s, r = series_m[both], readings_m[both]
    fitted = _best_unit(s, r)
    level_left_out = min(fitted[1:]) > within_m and np.ptp(r) >= 10 * within_m
    if level_left_out:
        fitted = _best_unit(s - np.median(s), r - np.median(r))
    unit, misfit, as_given = fitted
    if unit == "m" or misfit > within_m or as_given < better * misfit:
        return None
    return UnitFinding(unit, misfit, as_given, int(both.sum()), bool(level_left_out))


def _best_unit(series: Floats, readings: Floats) -> tuple[str, float, float]:
    """Name the unit with the smallest misfit, with its misfit and that of metres."""
    misfit = {unit: float(np.median(np.abs(readings - f * series))) for unit, f in UNITS_M.items()}
    unit = min(misfit, key=misfit.__getitem__)
    return unit, misfit[unit], misfit["m"]
