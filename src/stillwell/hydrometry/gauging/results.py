"""Panels of a batch to results: totals, gauge height, storage, and what was handed in where nothing was waded."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging import gauge_height as heights
from stillwell.hydrometry.gauging.section import Panels
from stillwell.hydrometry.grouped import Groups, quotient
from stillwell.schemas.words import OBSERVED_ZERO

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HANDED_IN = (
    "discharge_m3_s",
    "area_m2",
    "width_m",
    "mean_velocity_m_s",
    "mean_depth_m",
    "max_depth_m",
    "max_velocity_m_s",
)
"""Columns of a result that a gauging without points keeps as handed in."""


def results_of(
    gaugings: pd.DataFrame, verticals: pd.DataFrame, made: Panels, stage: heights.Heights, choices: Choices
) -> pd.DataFrame:
    """Total the panels of each gauging and average its stage.

    Parameters
    ----------
    gaugings : DataFrame
    verticals : DataFrame
        With what was computed of each panel.
    made : Panels
    stage : Heights
    choices : Choices

    Returns
    -------
    DataFrame
        One row per gauging; see ``stillwell.schemas.gauging.Result``.
    """
    n = len(gaugings)
    g = verticals["g"].to_numpy()
    has_points = np.bincount(g, minlength=n) > 0

    def total(values: Floats) -> Floats:
        return np.where(has_points, np.bincount(g, weights=values, minlength=n), np.nan)

    discharge, area, width = total(made.discharge), total(made.area), total(made.water)
    groups = Groups.of(g)

    def by_gauging(values: NDArray[Any], otherwise: float | bool) -> NDArray[Any]:
        out = np.full(n, otherwise)
        out[g[groups.first]] = values
        return out

    def largest(name: str) -> Floats:
        return by_gauging(groups.reduce(np.fmax, verticals[name].to_numpy(dtype="float64")), np.nan)

    ends = {"open_start": by_gauging(made.open_start, False), "open_end": by_gauging(made.open_end, False)}
    wet = (verticals["effective_depth_m"].to_numpy() > 0) & ~verticals["edge"].to_numpy(dtype=bool)
    results = pd.DataFrame(
        {
            "discharge_m3_s": discharge,
            "area_m2": area,
            "width_m": width,
            "mean_velocity_m_s": quotient(discharge, area),
            "mean_depth_m": quotient(area, width),
            "max_depth_m": largest("depth_m"),
            "max_velocity_m_s": largest("max_velocity_m_s"),
            "verticals": np.bincount(g, weights=wet, minlength=n),
            "points": np.bincount(g, weights=verticals["points"].to_numpy(), minlength=n),
            "largest_share_pct": largest("share_pct"),
            "recomputable": has_points,
            "channels": largest("channel"),
        }
    ).assign(**ends)
    results = _as_handed_in(results, gaugings, has_points)
    results = pd.concat([results, _gauge_height(gaugings, verticals, stage, choices)], axis=1)
    return results.assign(**_storage(gaugings, results, stage.nodes.duration_s))


def _as_handed_in(results: pd.DataFrame, gaugings: pd.DataFrame, has_points: NDArray[np.bool_]) -> pd.DataFrame:
    """Keep the result of a gauging without points as it was handed in; an observed zero is zero."""
    out = results.copy()
    for name in HANDED_IN:
        out[name] = out[name].where(has_points, gaugings[name].to_numpy(dtype="float64"))
    zero = (gaugings["method"] == OBSERVED_ZERO).fillna(False).to_numpy(dtype=bool) & ~has_points
    out.loc[zero, "discharge_m3_s"] = 0.0
    counted = out[["verticals", "points"]].where(pd.Series(has_points, index=out.index), np.nan)
    return out.assign(verticals=counted["verticals"].astype("Int64"), points=counted["points"].astype("Int64"))


def _gauge_height(
    gaugings: pd.DataFrame, verticals: pd.DataFrame, stage: heights.Heights, choices: Choices
) -> pd.DataFrame:
    n = len(gaugings)
    g = verticals["g"].to_numpy()
    start = heights.microseconds(gaugings["started_at"])
    at = (verticals["at_us"].to_numpy() - start[g]) / 1e6
    weighted = heights.discharge_weighted(stage.nodes, g, at, verticals["discharge_m3_s"].to_numpy(), n)
    steady = ~(np.abs(stage.change) >= choices.gauge_height_simple_change_m)
    rule = np.where(np.isnan(weighted) | steady, "time-weighted", choices.gauge_height_mean)
    both = (stage.time_mean + weighted) / 2
    used = np.select([rule == "discharge-weighted", rule == "mean of both"], [weighted, both], stage.time_mean)
    return pd.DataFrame(
        {
            "gauge_height_m": used,
            "gauge_height_time_m": stage.time_mean,
            "gauge_height_discharge_m": weighted,
            "gauge_height_change_m": stage.change,
            "gauge_height_rule": pd.Series(np.where(stage.readings > 0, rule, "none"), dtype="str"),
            "gauge_height_gauge": stage.gauge,
            "gauge_height_reference": stage.reference,
            "gauge_height_readings": stage.readings,
            "gauge_height_held_s": stage.held_s,
        }
    )


def _storage(gaugings: pd.DataFrame, results: pd.DataFrame, duration_s: Floats) -> dict[str, Floats]:
    """Take from the discharge what goes into storage between section and gauge: ``Q_g = Q - W L dh/dt``.

    W mean width of the reach (m), L distance along the channel, positive if the gauge is downstream (m), dh/dt
    change of stage (m/s). Principle: OSW TM 92.09 (read); the formula as remembered.
    """
    width, length = (gaugings[name].to_numpy(dtype="float64") for name in ("reach_width_m", "section_distance_m"))
    rate = quotient(results["gauge_height_change_m"].to_numpy(), duration_s)
    storage = width * length * rate
    return {"storage_m3_s": storage, "discharge_at_gauge_m3_s": results["discharge_m3_s"].to_numpy() - storage}
