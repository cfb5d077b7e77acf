"""Checks of meters, points and profiles. A missing value gives no finding here."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.assessment.evidence import Evidence, numbers, of_gaugings, of_points, of_verticals
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.gauging.profile import FRACTIONS, point_class
from stillwell.hydrometry.meter.acoustics import velocity_factor

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def exposure_short(e: Evidence) -> pd.DataFrame:
    """Find velocities averaged over too short a time."""
    exposure, limit = numbers(e.points["exposure_s"]), e.policy.value("exposure_s")
    return of_points(e, exposure < limit, exposure, limit)


def signal_low(e: Evidence) -> pd.DataFrame:
    """Find a low signal-to-noise ratio."""
    snr, low = numbers(e.points["snr_db"]), _meter_limit(e, "snr_low_db")
    return of_points(e, (snr < low) & (snr >= _meter_limit(e, "snr_unusable_db")), snr, low)


def signal_unusable(e: Evidence) -> pd.DataFrame:
    """Find a signal-to-noise ratio at which a velocity cannot be used."""
    snr, limit = numbers(e.points["snr_db"]), _meter_limit(e, "snr_unusable_db")
    return of_points(e, snr < limit, snr, limit)


def _meter_limit(e: Evidence, name: str) -> Floats:
    """Take a limit for each point from the meter's register, else from the policy."""
    limits = of_meter(e, name)[e.points["g"].to_numpy()]
    return np.where(np.isnan(limits), e.policy.value(name), limits)


def of_meter(e: Evidence, name: str) -> Floats:
    """Read a number off the register of each gauging's meter as it was on that day; NaN where there is none.

    Parameters
    ----------
    e : Evidence
    name : str
        Column of ``instruments``.

    Returns
    -------
    float array, shape (gaugings,)
    """
    out = np.full(len(e.gaugings), np.nan)
    register = e.instruments[e.instruments[name].notna()].sort_values("valid_from", na_position="first", kind="stable")
    meter, start = e.gaugings["instrument"], e.gaugings["started_at"]
    for code, since, value in zip(register["instrument"], register["valid_from"], register[name], strict=True):
        holds = np.array((meter == code).fillna(False), dtype=bool)
        if since is not pd.NaT:
            holds &= (start >= since).to_numpy()
        out[holds] = value
    return out


def angle_large(e: Evidence) -> pd.DataFrame:
    """Find flow far from normal to the section."""
    given, cosine = numbers(e.points["flow_angle_deg"]), numbers(e.points["angle_cosine"])
    limit = e.policy.value("angle_deg")
    angle = np.where(np.isnan(given), np.degrees(np.arccos(np.clip(cosine, -1, 1))), np.abs(given))
    return of_points(e, angle > limit, angle, limit)


def tilt_large(e: Evidence) -> pd.DataFrame:
    """Find a probe that was not upright."""
    tilt, limit = np.abs(numbers(e.points["tilt_deg"])), e.policy.value("tilt_deg")
    return of_points(e, tilt > limit, tilt, limit)


def spikes_many(e: Evidence) -> pd.DataFrame:
    """Find points of which many samples were spikes."""
    spikes, samples = numbers(e.points["spikes"]), numbers(e.points["samples"])
    whole = spikes + samples
    share = np.divide(100 * spikes, whole, out=np.full(spikes.size, np.nan), where=whole > 0)
    limit = e.policy.value("spikes_pct")
    return of_points(e, share > limit, share, limit)


def error_large(e: Evidence) -> pd.DataFrame:
    """Find velocities whose standard error is large, both in itself and compared with the velocity."""
    error, velocity = numbers(e.points["velocity_se_m_s"]), np.abs(numbers(e.points["normal_velocity_m_s"]))
    limit = np.maximum(e.policy.value("velocity_error_pct") / 100 * velocity, e.policy.value("velocity_error_m_s"))
    return of_points(e, error > limit, error, limit)


def velocity_negative(e: Evidence) -> pd.DataFrame:
    """Find velocities against the stream."""
    velocity = numbers(e.points["normal_velocity_m_s"])
    return of_points(e, velocity < 0, velocity)


def coefficient_unusual(e: Evidence) -> pd.DataFrame:
    """Find a coefficient handed in that lies outside what natural profiles give."""
    coefficient = numbers(e.points["method_coefficient"])
    low, high = e.policy.values("coefficient_range")
    wrong = (coefficient < low) | (coefficient > high)
    return of_points(e, wrong, coefficient, np.where(coefficient < low, low, high))


def time_outside(e: Evidence) -> pd.DataFrame:
    """Find points read before the start or after the end of their gauging."""
    read = e.points["read_at"].notna().to_numpy()
    g = e.points["g"].to_numpy()
    at = microseconds(e.points["read_at"])
    start, end = microseconds(e.gaugings["started_at"])[g], microseconds(e.gaugings["ended_at"])[g]
    late = np.where(at < start, start - at, at - end) / 60e6
    return of_points(e, read & (late > 0), late)


def _at_fraction(e: Evidence, fraction: float) -> Floats:
    """Read the velocity at a fraction of the depth for each vertical; NaN where none was read there."""
    out = np.full(len(e.verticals), np.nan)
    kind = point_class(numbers(e.points["relative_depth"]))
    velocity = numbers(e.points["normal_velocity_m_s"])
    mine = (kind == FRACTIONS.index(fraction)) & ~np.isnan(velocity)
    out[e.points["v"].to_numpy()[mine]] = velocity[mine]
    return out


def profile_inverted(e: Evidence) -> pd.DataFrame:
    """Find verticals that run faster near the bed than near the surface."""
    upper, lower = _at_fraction(e, 0.2), _at_fraction(e, 0.8)
    return of_verticals(e, (lower > upper) & ~_ice(e), upper, lower)


def profile_steep(e: Evidence) -> pd.DataFrame:
    """Find verticals that run much faster near the surface than near the bed."""
    upper, lower = _at_fraction(e, 0.2), _at_fraction(e, 0.8)
    factor = e.policy.value("profile_steep_factor")
    return of_verticals(e, (upper > factor * lower) & (upper > 0) & ~_ice(e), upper, lower)


def _ice(e: Evidence) -> Flags:
    return np.asarray(e.verticals["ice"], dtype=bool)


def one_point_deep(e: Evidence) -> pd.DataFrame:
    """Find one point in water deep enough for two."""
    depth, limit = numbers(e.verticals["effective_depth_m"]), e.policy.value("two_points_from_m")
    one = e.verticals["profile_method"].isin(["one point 0.6", "one point 0.5", "one point 0.2"])
    return of_verticals(
        e, one.to_numpy() & (depth > limit) & ~np.asarray(e.verticals["edge"], dtype=bool), depth, limit
    )


def two_points_shallow(e: Evidence) -> pd.DataFrame:
    """Find two points in water too shallow for them."""
    depth, limit = numbers(e.verticals["effective_depth_m"]), e.policy.value("two_points_not_below_m")
    two = e.verticals["profile_method"].isin(["two points", "three points"]).to_numpy()
    return of_verticals(e, two & (depth < limit), depth, limit)


def below_meter_depth(e: Evidence) -> pd.DataFrame:
    """Find velocities in water shallower than the meter's maker allows."""
    limit = of_meter(e, "minimum_depth_m")[e.verticals["g"].to_numpy()]
    depth = numbers(e.verticals["effective_depth_m"])
    read = numbers(e.verticals["points"]) > 0
    return of_verticals(e, read & (depth < limit), depth, limit)


def temperature_differs(e: Evidence) -> pd.DataFrame:
    """Find a meter whose water temperature is not the thermometer's."""
    difference = np.abs(numbers(e.gaugings["meter_temperature_c"]) - numbers(e.gaugings["water_temperature_c"]))
    limit = e.policy.value("temperature_differs_c")
    return of_gaugings(e, difference > limit, difference, limit)


def temperature_missing(e: Evidence) -> pd.DataFrame:
    """Find gaugings with an acoustic meter and no independent temperature."""
    acoustic = e.instruments.loc[e.instruments["kind"] == "acoustic point", "instrument"]
    with_one = e.gaugings["instrument"].isin(set(acoustic)) & e.results["recomputable"]
    return of_gaugings(e, with_one & e.gaugings["water_temperature_c"].isna())


def sound_speed_differs(e: Evidence) -> pd.DataFrame:
    """Find meters whose speed of sound makes their velocities wrong, corrected or not."""
    error = 100 * (1 / velocity_factor(e.gaugings) - 1)
    limit = e.policy.value("sound_speed_pct")
    return of_gaugings(e, np.abs(error) > limit, error, limit)
