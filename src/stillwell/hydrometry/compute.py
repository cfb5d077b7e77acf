"""Discharge of all gaugings of a batch at once: points to verticals, verticals to panels, panels to results."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from schemas.words import MEAN_SECTION, OBSERVED_ZERO, PROFILE_METHODS
from stillwell.hydrometry import gauge_height as heights
from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.meters import calibrated_velocity, cosines, normal_velocity
from stillwell.hydrometry.profile import Means, vertical_means
from stillwell.hydrometry.section import Panels, Section, panels, position_order

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WALL_RULES = ("", "given", "ratio", "table", "power law")
"""Words for where the velocity at a wall comes from, in the order of ``section``'s numbers."""

HANDED_IN = ("discharge_m3_s", "area_m2", "width_m", "mean_velocity_m_s")
"""Columns of a result that a gauging without points keeps as handed in."""


@dataclass(frozen=True)
class Computed:
    """What was computed of a batch.

    ``verticals``: one row per vertical, by gauging ``g`` and position. ``results``: one row per gauging.
    ``readings``: the readings of the gauge that served, with ``g``. ``points``: as handed in to ``compute``,
    sorted, with ``normal_velocity_m_s`` and ``v``, the row of its vertical in ``verticals``.
    """

    verticals: pd.DataFrame
    results: pd.DataFrame
    readings: pd.DataFrame
    points: pd.DataFrame


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
        As in ``schemas.gauging.GaugingsDeposit``; row g is gauging g.
    points : DataFrame
        As in ``schemas.gauging.PointsDeposit``, with ``g``.
    gauge_heights : DataFrame
        All readings of the sites concerned.
    calibrations : DataFrame
    choices : Choices

    Returns
    -------
    Computed
    """
    points = _prepared_points(gaugings, points, calibrations)
    first = _starts(points["g"].to_numpy(), points["vertical"].to_numpy(dtype="int64"))
    verticals, row_of_vertical = _verticals(points, first)
    means = _means(points, first, verticals, choices)
    stage = heights.gauge_heights(gaugings, gauge_heights, choices)
    verticals = _described(verticals, means, row_of_vertical)
    order = position_order(
        verticals["g"].to_numpy(),
        verticals["position_m"].to_numpy(),
        verticals["depth_m"].to_numpy(),
        verticals["order_walked"].to_numpy(),
    )
    verticals = verticals.iloc[order].reset_index(drop=True)
    made = _panels(gaugings, verticals, choices)
    verticals = _with_panels(verticals, made, len(gaugings))
    results = _results(gaugings, verticals, made, stage, choices)
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    rows = np.diff(np.r_[first, len(points)])[: first.size]
    points = points.assign(v=np.repeat(place, rows))
    return Computed(verticals, results, stage.used, points)


def _prepared_points(gaugings: pd.DataFrame, points: pd.DataFrame, calibrations: pd.DataFrame) -> pd.DataFrame:
    """Sort points, average repeats weighted by exposure, and make velocities normal to the section."""
    points = _sorted(points)
    cosine = cosines(points)
    velocity = calibrated_velocity(points, gaugings["instrument"], gaugings["started_at"], calibrations)
    normal = normal_velocity(velocity, cosine)
    return points.assign(cosine=cosine, normal_velocity_m_s=normal)


def _sorted(points: pd.DataFrame) -> pd.DataFrame:
    g = points["g"].to_numpy()
    vertical = points["vertical"].to_numpy(dtype="int64")
    depth = np.nan_to_num(points["relative_depth"].to_numpy(dtype="float64"), nan=-1.0)
    repeat = points["repeat"].to_numpy(dtype="int64")
    step = np.diff(g)
    below = np.diff(vertical)
    deeper = np.diff(depth)
    ordered = (step > 0) | (
        (step == 0) & ((below > 0) | ((below == 0) & ((deeper > 0) | ((deeper == 0) & (np.diff(repeat) > 0)))))
    )
    if ordered.all():
        return points.reset_index(drop=True)
    return points.iloc[np.lexsort((repeat, depth, vertical, g))].reset_index(drop=True)


def _starts(*keys: Ints) -> Ints:
    """Find the rows where a run of equal keys begins."""
    if not keys[0].size:
        return np.zeros(0, dtype=np.int64)
    changes = np.zeros(keys[0].size, dtype=bool)
    changes[0] = True
    for key in keys:
        changes[1:] |= key[1:] != key[:-1]
    return np.flatnonzero(changes)


def _verticals(points: pd.DataFrame, first: Ints) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Take what is said of a vertical from its first point."""
    names = ["g", "vertical", "position_m", "depth_m", "kind", "ice_underside_m", "edge_velocity_ratio"]
    head = points[[*names, "method_coefficient", "row_file", "row_line"]].iloc[first].reset_index(drop=True)
    ice = (head["kind"] == "ice").to_numpy(dtype=bool)
    underside = np.where(ice, head["ice_underside_m"].to_numpy(dtype="float64"), 0.0)
    effective = head["depth_m"].to_numpy(dtype="float64") - np.nan_to_num(underside)
    reduced = pd.DataFrame(
        {
            "exposure_s": _reduce(np.fmin, points["exposure_s"].to_numpy(dtype="float64"), first),
            "cosine": _mean_of_known(points["cosine"].to_numpy(), points["normal_velocity_m_s"].to_numpy(), first),
            "at_us": _mean_time(points["read_at"], first),
            "max_velocity_m_s": _reduce(np.fmax, points["normal_velocity_m_s"].to_numpy(), first),
            "method_coefficient": _reduce(np.fmax, points["method_coefficient"].to_numpy(dtype="float64"), first),
            "edge_velocity_ratio": _reduce(np.fmax, points["edge_velocity_ratio"].to_numpy(dtype="float64"), first),
        }
    )
    head = head.assign(effective_depth_m=effective, ice=ice, edge=(head["kind"] == "edge").to_numpy(dtype=bool))
    return head, reduced


def _reduce(how: np.ufunc, values: Floats, first: Ints) -> Floats:
    if not first.size:
        return np.zeros(0)
    if np.isnan(values).all():
        return np.full(first.size, np.nan)
    return np.asarray(how.reduceat(values, first))


def _mean_of_known(values: Floats, velocity: Floats, first: Ints) -> Floats:
    """Average over the points that have a velocity; missing without any."""
    if not first.size:
        return np.zeros(0)
    known = ~np.isnan(velocity)
    count = np.add.reduceat(known, first, dtype=np.int64)
    total = np.add.reduceat(np.where(known, values, 0.0), first)
    return _quotient(total, count)


def _mean_time(times: pd.Series, first: Ints) -> Floats:
    """Average the known times of each vertical, in microseconds since 1970; NaN where none is known."""
    known = times.notna().to_numpy()
    if not known.any():
        return np.full(first.size, np.nan)
    values = heights.microseconds(times)
    origin = values[known].min()
    count = np.add.reduceat(known, first, dtype=np.int64)
    total = np.add.reduceat(np.where(known, values - origin, 0), first)
    return _quotient(total, count) + float(origin)


def _means(points: pd.DataFrame, first: Ints, verticals: pd.DataFrame, choices: Choices) -> Means:
    """Average each vertical, repeats first; an edge's velocities count alike whatever their depth."""
    velocity = points["normal_velocity_m_s"].to_numpy()
    depth = points["relative_depth"].to_numpy(dtype="float64")
    owner = np.repeat(np.arange(first.size), np.diff(np.r_[first, len(points)])[: first.size])
    repeated = points["repeat"].to_numpy(dtype="int64")
    if (repeated > 1).any():
        weight = np.nan_to_num(points["exposure_s"].to_numpy(dtype="float64"), nan=1.0)
        depth, velocity, owner = _average_repeats(owner, depth, velocity, weight)
        first = _starts(owner)
    coefficient = verticals["method_coefficient"].to_numpy(dtype="float64")
    ice = verticals["ice"].to_numpy(dtype=bool)
    means = vertical_means(first, depth, velocity, ice, coefficient, choices)
    edge = verticals["edge"].to_numpy(dtype=bool)
    if (edge & (means.points > 0)).any():
        plain = _mean_of_known(velocity, velocity, first)
        named = np.add.reduceat(~np.isnan(velocity) & np.isnan(depth), first, dtype=np.int64) > 0
        means = Means(np.where(edge & named, plain, means.velocity), means.method, means.points)
    return means


def _average_repeats(owner: Ints, depth: Floats, velocity: Floats, weight: Floats) -> tuple[Floats, Floats, Ints]:
    """Average the velocities read at one point, weighted by exposure."""
    filled = np.nan_to_num(depth, nan=-1.0)
    changes = np.r_[True, (owner[1:] != owner[:-1]) | (filled[1:] != filled[:-1])]
    begins = np.flatnonzero(changes)
    weight = np.where(np.isnan(velocity), 0.0, weight)
    total = np.add.reduceat(weight, begins)
    weighted = np.add.reduceat(weight * np.nan_to_num(velocity), begins)
    single = np.diff(np.r_[begins, owner.size]) == 1
    # a velocity read once is left as it is, so that no gauging depends on the repeats of another
    mean = np.where(single, velocity[begins], _quotient(weighted, total))
    return depth[begins], mean, owner[begins]


def _described(verticals: pd.DataFrame, means: Means, reduced: pd.DataFrame) -> pd.DataFrame:
    verticals = verticals.drop(columns=["edge_velocity_ratio", "method_coefficient"])
    verticals = pd.concat([verticals, reduced], axis=1)
    g = verticals["g"].to_numpy()
    begins = _starts(g)
    walked = np.arange(g.size) - np.repeat(begins, np.diff(np.r_[begins, g.size])[: begins.size]) + 1
    return verticals.assign(
        order_walked=walked,
        profile_method=_worded(means.method, PROFILE_METHODS),
        measured_m_s=means.velocity,
        points=means.points,
    )


def _panels(gaugings: pd.DataFrame, verticals: pd.DataFrame, choices: Choices) -> Panels:
    g = verticals["g"].to_numpy()
    start = _starts(g)
    owner = np.repeat(np.arange(start.size), np.diff(np.r_[start, g.size])[: start.size])
    mean_section = (gaugings["section_method"] == MEAN_SECTION).fillna(False).to_numpy(dtype=bool)[g[start]]
    section = Section(
        start=start,
        owner=owner,
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
        wall_rule=_worded(made.wall, WALL_RULES),
        velocity_interpolated=made.interpolated,
    )


def _results(
    gaugings: pd.DataFrame, verticals: pd.DataFrame, made: Panels, stage: heights.Heights, choices: Choices
) -> pd.DataFrame:
    n = len(gaugings)
    g = verticals["g"].to_numpy()
    has_points = np.bincount(g, minlength=n) > 0

    def total(values: Floats) -> Floats:
        return np.where(has_points, np.bincount(g, weights=values, minlength=n), np.nan)

    discharge, area, width = total(made.discharge), total(made.area), total(made.water)
    start = _starts(g)
    per_gauging = {"open_start": made.open_start, "open_end": made.open_end}
    ends = {name: _spread(values, g[start], n) for name, values in per_gauging.items()}
    wet = (verticals["effective_depth_m"].to_numpy() > 0) & ~verticals["edge"].to_numpy(dtype=bool)
    results = pd.DataFrame(
        {
            "discharge_m3_s": discharge,
            "area_m2": area,
            "width_m": width,
            "mean_velocity_m_s": _ratio(discharge, area),
            "mean_depth_m": _ratio(area, width),
            "max_depth_m": _largest(verticals["depth_m"].to_numpy(), g, n),
            "max_velocity_m_s": _largest(verticals["max_velocity_m_s"].to_numpy(), g, n),
            "verticals": np.bincount(g, weights=wet, minlength=n),
            "points": np.bincount(g, weights=verticals["points"].to_numpy(), minlength=n),
            "largest_share_pct": _largest(verticals["share_pct"].to_numpy(), g, n),
            "recomputable": has_points,
            "channels": _largest(verticals["channel"].to_numpy(dtype="float64"), g, n),
        }
    ).assign(**ends)
    results = _as_handed_in(results, gaugings, has_points)
    return pd.concat([results, _gauge_height(gaugings, verticals, stage, choices)], axis=1)


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


def _spread(values: NDArray[np.bool_], owner: Ints, n: int) -> NDArray[np.bool_]:
    out = np.zeros(n, dtype=bool)
    out[owner] = values
    return out


def _ratio(above: Floats, below: Floats) -> Floats:
    return _quotient(above, below)


def _quotient(above: NDArray[Any], below: NDArray[Any]) -> Floats:
    """Divide where the divisor is above zero; NaN elsewhere."""
    out = np.full(above.size, np.nan)
    np.divide(above, below, out=out, where=below > 0)
    return out


def _worded(codes: Ints, words: tuple[str, ...]) -> pd.Series:
    """Turn numbers into words, cheaply."""
    return pd.Series(np.array(words, dtype=object)[codes], dtype="str")


def _largest(values: Floats, g: Ints, n: int) -> Floats:
    """Find the largest known value of each gauging; NaN where there is none."""
    out = np.full(n, np.nan)
    start = _starts(g)
    if start.size:
        out[g[start]] = np.fmax.reduceat(values, start)
    return out
