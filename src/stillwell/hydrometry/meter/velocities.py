"""Velocities as a meter gives them: normal to the section, and from revolutions through a calibration."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def normal_velocity(velocity: Floats, cosine: Floats) -> Floats:
    """Turn a velocity into its component normal to the section: ``v_n = v cos(theta)``.

    Parameters
    ----------
    velocity : float array
        v, m/s.
    cosine : float array
        cos(theta), theta between flow and the normal to the section.

    Returns
    -------
    float array
        m/s.

    Notes
    -----
    An identity; BC Manual of SOP for Hydrometric Surveys and ISO 748 use it (as remembered).
    """
    return velocity * cosine


def cosines(points: pd.DataFrame) -> Floats:
    """Read the cosine to apply at each point: 1 without an angle, or where the velocity is normal already.

    Parameters
    ----------
    points : DataFrame
        ``flow_angle_deg``, ``angle_cosine``, ``velocity_is_normal``.

    Returns
    -------
    float array, shape (points,)
    """
    cosine = points["angle_cosine"].to_numpy(dtype="float64")
    angle = points["flow_angle_deg"].to_numpy(dtype="float64")
    if np.isnan(cosine).all() and np.isnan(angle).all():
        return np.ones(len(points))
    degrees, place = np.unique(np.nan_to_num(angle), return_inverse=True)
    # one by one: a vectorised cosine may differ in the last bit with its place in the array
    table = np.array([math.cos(math.radians(value)) for value in degrees.tolist()])
    cosine = np.where(np.isnan(cosine), table[place], cosine)
    return np.where(points["velocity_is_normal"].fillna(False).to_numpy(dtype=bool), 1.0, cosine)


def calibrated_velocity(
    points: pd.DataFrame, instrument: pd.Series, started_at: pd.Series, calibrations: pd.DataFrame
) -> Floats:
    """Turn revolutions into velocity: ``v = a n + b`` with ``n = revolutions / exposure``.

    Parameters
    ----------
    points : DataFrame
        ``g``, ``velocity_m_s``, ``revolutions``, ``exposure_s``.
    instrument, started_at : Series
        Per gauging, in the order of ``g``.
    calibrations : DataFrame
        ``slope`` a (m per revolution), ``intercept`` b (m/s), between ``from_rev_s`` and ``to_rev_s``.

    Returns
    -------
    float array, shape (points,)
        The velocity handed in where there is one; of several calibrations the newest that holds on the day,
        and where two rows meet the one for the higher rate; NaN where none holds.
    """
    velocity = points["velocity_m_s"].to_numpy(dtype="float64", copy=True)
    turns = points["revolutions"].to_numpy(dtype="float64")
    rows = np.flatnonzero(~np.isnan(turns) & np.isnan(velocity))
    if not rows.size or calibrations.empty:
        return velocity
    g = points["g"].to_numpy()[rows]
    asked = pd.DataFrame(
        {
            "row": rows,
            "rate": turns[rows] / points["exposure_s"].to_numpy(dtype="float64")[rows],
            "instrument": instrument.to_numpy()[g],
            "day": started_at.to_numpy()[g],
        }
    )
    pairs = asked.merge(calibrations, on="instrument")
    pairs = pairs[pairs["valid_from"] <= pd.to_datetime(pairs["day"], utc=True)]
    pairs = pairs[pairs["valid_from"] == pairs.groupby("row")["valid_from"].transform("max")]
    holds = pairs["from_rev_s"].fillna(0.0) <= pairs["rate"]
    holds &= pairs["to_rev_s"].isna() | (pairs["rate"] <= pairs["to_rev_s"])
    best = pairs[holds].sort_values(["row", "from_rev_s"], kind="stable", na_position="first")
    best = best.drop_duplicates("row", keep="last")
    velocity[best["row"].to_numpy()] = (best["slope"] * best["rate"] + best["intercept"]).to_numpy()
    return velocity
