"""Points of a batch to verticals: sorted, through calibrations, repeats averaged, the mean of each vertical."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.gauging.profile import Means, vertical_means
from stillwell.hydrometry.grouped import Groups, numbered, quotient, sorted_rows, worded
from stillwell.hydrometry.meter.acoustics import velocity_factor
from stillwell.hydrometry.meter.velocities import calibrated_velocity, cosines, normal_velocity
from stillwell.schemas.words import KINDS, PROFILE_METHODS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DEEP = 0.75
"""Fraction of the depth from which on a point counts as near the bed."""


def prepared_points(
    gaugings: pd.DataFrame, points: pd.DataFrame, calibrations: pd.DataFrame, choices: Choices
) -> pd.DataFrame:
    """Sort points, average repeats weighted by exposure, and make velocities normal to the section."""
    points = _sorted(points)
    cosine = cosines(points)
    velocity = calibrated_velocity(points, gaugings["instrument"], gaugings["started_at"], calibrations)
    if choices.sound_speed == "corrected":
        velocity = velocity * velocity_factor(gaugings)[points["g"].to_numpy()]
    normal = normal_velocity(velocity, cosine)
    return points.assign(cosine=cosine, normal_velocity_m_s=normal)


def _sorted(points: pd.DataFrame) -> pd.DataFrame:
    g = points["g"].to_numpy()
    vertical = points["vertical"].to_numpy(dtype="int64")
    depth = np.nan_to_num(points["relative_depth"].to_numpy(dtype="float64"), nan=-1.0)
    repeat = points["repeat"].to_numpy(dtype="int64")
    return sorted_rows(points, g, vertical, depth, repeat)


def verticals_of(points: pd.DataFrame, groups: Groups) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Take what is said of a vertical from its first point; words only as numbers, since to copy them is slow."""
    first = groups.first

    def column(name: str) -> Floats:
        return points[name].to_numpy(dtype="float64")

    def head(name: str) -> Floats:
        return column(name)[first]

    kind = np.zeros(first.size, dtype=np.int64)
    for number, word in enumerate(KINDS):
        kind[(points["kind"] == word).to_numpy(dtype=bool)[first]] = number
    ice = kind == KINDS.index("ice")
    underside = np.where(ice, head("ice_underside_m"), 0.0)
    depth = head("depth_m")
    verticals = pd.DataFrame(
        {
            "g": points["g"].to_numpy()[first],
            "point": first,
            "vertical": points["vertical"].to_numpy(dtype="int64")[first],
            "position_m": head("position_m"),
            "depth_m": depth,
            "kind": worded(kind, KINDS),
            "effective_depth_m": depth - np.nan_to_num(underside),
            "ice": ice,
            "edge": kind == KINDS.index("edge"),
        }
    )
    normal = points["normal_velocity_m_s"].to_numpy()
    reduced = pd.DataFrame(
        {
            "deep": groups.reduce(np.fmax, column("relative_depth")) >= DEEP,
            "exposure_s": groups.reduce(np.fmin, column("exposure_s")),
            "cosine": _mean_of_known(points["cosine"].to_numpy(), normal, groups),
            "at_us": _mean_time(points["read_at"], groups),
            "max_velocity_m_s": groups.reduce(np.fmax, normal),
            "method_coefficient": groups.reduce(np.fmax, column("method_coefficient")),
            "edge_velocity_ratio": groups.reduce(np.fmax, column("edge_velocity_ratio")),
        }
    )
    return verticals, reduced


def _mean_of_known(values: Floats, velocity: Floats, groups: Groups) -> Floats:
    """Average over the points that have a velocity; missing without any."""
    known = ~np.isnan(velocity)
    total = groups.reduce(np.add, np.where(known, values, 0.0))
    return quotient(total, groups.reduce(np.add, known, np.int64))


def _mean_time(times: pd.Series, groups: Groups) -> Floats:
    """Average the known times of each vertical, in microseconds since 1970; NaN where none is known."""
    known = times.notna().to_numpy()
    if not known.any():
        return np.full(groups.size, np.nan)
    values = microseconds(times)
    origin = values[known].min()
    total = groups.reduce(np.add, np.where(known, values - origin, 0))
    return quotient(total, groups.reduce(np.add, known, np.int64)) + float(origin)


def means_of(
    points: pd.DataFrame, groups: Groups, verticals: pd.DataFrame, coefficient: Floats, choices: Choices
) -> Means:
    """Average each vertical, repeats first; an edge's velocities count alike whatever their depth."""
    velocity = points["normal_velocity_m_s"].to_numpy()
    depth = points["relative_depth"].to_numpy(dtype="float64")
    repeated = points["repeat"].to_numpy(dtype="int64")
    if (repeated > 1).any():
        weight = np.nan_to_num(points["exposure_s"].to_numpy(dtype="float64"), nan=1.0)
        depth, velocity, groups = _average_repeats(groups, depth, velocity, weight)
    ice = verticals["ice"].to_numpy(dtype=bool)
    means = vertical_means(groups, depth, velocity, ice, coefficient, choices)
    edge = verticals["edge"].to_numpy(dtype=bool)
    if (edge & (means.points > 0)).any():
        plain = _mean_of_known(velocity, velocity, groups)
        named = groups.reduce(np.logical_or, ~np.isnan(velocity) & np.isnan(depth))
        means = Means(np.where(edge & named, plain, means.velocity), means.method, means.points)
    return means


def _average_repeats(groups: Groups, depth: Floats, velocity: Floats, weight: Floats) -> tuple[Floats, Floats, Groups]:
    """Average the velocities read at one point, weighted by exposure."""
    points = Groups.of(groups.owner, np.nan_to_num(depth, nan=-1.0))
    weight = np.where(np.isnan(velocity), 0.0, weight)
    total = points.reduce(np.add, weight)
    weighted = points.reduce(np.add, weight * np.nan_to_num(velocity))
    # a velocity read once is left as it is, so that no gauging depends on the repeats of another
    mean = np.where(points.counts == 1, velocity[points.first], quotient(weighted, total))
    return depth[points.first], mean, Groups.of(groups.owner[points.first])


def described(verticals: pd.DataFrame, means: Means, reduced: pd.DataFrame) -> pd.DataFrame:
    """Add to each vertical how its mean was made and its place in the order walked."""
    verticals = pd.concat([verticals, reduced], axis=1)
    walked = numbered(Groups.of(verticals["g"].to_numpy()).counts)[1] + 1
    return verticals.assign(
        order_walked=walked,
        profile_method=worded(means.method, PROFILE_METHODS),
        measured_m_s=means.velocity,
        points=means.points,
    )
