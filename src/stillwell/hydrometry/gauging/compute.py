"""Discharge of all gaugings of a batch at once: points to verticals, verticals to panels, panels to results."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging import gauge_height as heights
from stillwell.hydrometry.gauging.budget import uncertainties
from stillwell.hydrometry.gauging.results import results_of
from stillwell.hydrometry.gauging.section import Panels, Section, panels, position_order
from stillwell.hydrometry.gauging.verticals import described, means_of, prepared_points, verticals_of
from stillwell.hydrometry.grouped import Groups, worded
from stillwell.schemas.words import MEAN_SECTION

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WALL_RULES = ("", "given", "ratio", "table", "power law")
"""Words for where the velocity at a wall comes from, in the order of ``section``'s numbers."""


@dataclass(frozen=True)
class Computed:
    """What was computed of a batch.

    ``verticals``: one row per vertical, by gauging ``g`` and position. ``results``: one row per gauging.
    ``readings``: the readings of the gauge that served, with ``g``. ``points``: as handed in to ``compute``,
    sorted, with ``normal_velocity_m_s`` and ``v``, the row of its vertical in ``verticals``. ``budget``: the
    uncertainty from tables, one row per gauging and component.
    """

    verticals: pd.DataFrame
    results: pd.DataFrame
    readings: pd.DataFrame
    points: pd.DataFrame
    budget: pd.DataFrame


def compute(
    gaugings: pd.DataFrame,
    points: pd.DataFrame,
    gauge_heights: pd.DataFrame,
    calibrations: pd.DataFrame,
    choices: Choices,
) -> Computed:
    """Compute verticals, panels, discharge and gauge height of a batch of gaugings.

    ``Q = sum(q_i)``, ``A = sum(a_i)``, ``V = Q/A``, ``share_i = 100 |q_i| / sum |q_i|``: q_i discharge (m3/s)
    and a_i area (m2) of a panel. Panels: see ``section.panels``; verticals: ``profile.vertical_means``.

    Parameters
    ----------
    gaugings : DataFrame
        As in ``stillwell.schemas.gauging.GaugingsDeposit``; row g is gauging g.
    points : DataFrame
        As in ``stillwell.schemas.points.PointsDeposit``, with ``g``.
    gauge_heights : DataFrame
        All readings of the sites concerned.
    calibrations : DataFrame
    choices : Choices

    Returns
    -------
    Computed
    """
    points = prepared_points(gaugings, points, calibrations, choices)
    groups = Groups.of(points["g"].to_numpy(), points["vertical"].to_numpy(dtype="int64"))
    verticals, row_of_vertical = verticals_of(points, groups)
    means = means_of(points, groups, verticals, row_of_vertical["method_coefficient"].to_numpy(), choices)
    stage = heights.gauge_heights(gaugings, gauge_heights, choices)
    verticals = described(verticals, means, row_of_vertical)
    order = position_order(
        verticals["g"].to_numpy(),
        verticals["position_m"].to_numpy(),
        verticals["depth_m"].to_numpy(),
        verticals["order_walked"].to_numpy(),
    )
    if not np.array_equal(order, np.arange(order.size)):
        verticals = verticals.iloc[order].reset_index(drop=True)
    made = _panels(gaugings, verticals, choices)
    verticals = _with_panels(verticals, made, len(gaugings))
    results = results_of(gaugings, verticals, made, stage, choices)
    uncertain, budget = uncertainties(verticals, results, choices)
    results = pd.concat([results, uncertain], axis=1)
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    points = points.assign(v=groups.spread(place))
    return Computed(verticals, results, stage.used, points, budget)


def _panels(gaugings: pd.DataFrame, verticals: pd.DataFrame, choices: Choices) -> Panels:
    g = verticals["g"].to_numpy()
    groups = Groups.of(g)
    mean_section = (gaugings["section_method"] == MEAN_SECTION).fillna(False).to_numpy(dtype=bool)[g[groups.first]]
    section = Section(
        groups=groups,
        position=verticals["position_m"].to_numpy(),
        depth=verticals["effective_depth_m"].to_numpy(),
        velocity=verticals["measured_m_s"].to_numpy(),
        edge=verticals["edge"].to_numpy(dtype=bool),
        ratio=verticals["edge_velocity_ratio"].to_numpy(),
        mean_section=mean_section,
    )
    return panels(section, choices)


def _with_panels(verticals: pd.DataFrame, made: Panels, count: int) -> pd.DataFrame:
    g = verticals["g"].to_numpy()
    magnitude = np.abs(made.discharge)
    whole = np.bincount(g, weights=magnitude, minlength=count)[g]
    share = np.divide(100 * magnitude, whole, out=np.full(g.size, np.nan), where=whole > 0)
    return verticals.assign(
        mean_velocity_m_s=made.velocity,
        width_m=made.width,
        area_m2=made.area,
        discharge_m3_s=made.discharge,
        share_pct=share,
        channel=made.channel,
        water_m=made.water,
        wall_rule=worded(made.wall, WALL_RULES),
        velocity_interpolated=made.interpolated,
    )
