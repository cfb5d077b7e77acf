"""Checks of the section, the result and the gauge. A missing value gives no finding here."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.assessment.evidence import Evidence, numbers, of_gaugings, of_verticals
from stillwell.hydrometry.grouped import Groups

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def panel_share_high(e: Evidence) -> pd.DataFrame:
    """Find panels that carry too much."""
    share, limit = numbers(e.verticals["share_pct"]), e.policy.value("share_high_pct")
    return of_verticals(e, share > limit, share, limit)


def panel_share_raised(e: Evidence) -> pd.DataFrame:
    """Find panels that carry more than is wanted, but no more than is allowed."""
    share, limit = numbers(e.verticals["share_pct"]), e.policy.value("share_raised_pct")
    return of_verticals(e, (share > limit) & (share <= e.policy.value("share_high_pct")), share, limit)


def verticals_few(e: Evidence) -> pd.DataFrame:
    """Find gaugings with fewer verticals than their width asks for."""
    count, width = numbers(e.results["verticals"]), numbers(e.results["width_m"])
    widths, fewest = e.policy.values("verticals_widths_m"), np.array(e.policy.values("verticals_fewest"))
    asked = fewest[np.searchsorted(widths, np.nan_to_num(width), side="right")]
    return of_gaugings(e, e.results["recomputable"] & (count < asked), count, asked)


def stage_changed(e: Evidence) -> pd.DataFrame:
    """Find gaugings during which the stage changed."""
    change, limit = np.abs(numbers(e.results["gauge_height_change_m"])), e.policy.value("stage_change_m")
    return of_gaugings(e, change > limit, change, limit)


def wading_product(e: Evidence) -> pd.DataFrame:
    """Find verticals whose depth times velocity is a reason not to enter."""
    product = numbers(e.verticals["depth_m"]) * np.abs(numbers(e.verticals["mean_velocity_m_s"]))
    limit = e.policy.value("wading_product_m2_s")
    return of_verticals(e, (product > limit) & _inner(e), product, limit)


def depth_unlike_neighbours(e: Evidence) -> pd.DataFrame:
    """Find depths unlike those on both sides."""
    depth, factor = numbers(e.verticals["effective_depth_m"]), e.policy.value("depth_unlike_factor")
    return of_verticals(e, _unlike(e, depth, factor), depth, factor)


def velocity_unlike_neighbours(e: Evidence) -> pd.DataFrame:
    """Find mean velocities unlike those on both sides."""
    velocity, factor = numbers(e.verticals["mean_velocity_m_s"]), e.policy.value("velocity_unlike_factor")
    return of_verticals(e, _unlike(e, velocity, factor), velocity, factor)


def _inner(e: Evidence) -> Flags:
    """Verticals with water that are no edge."""
    edge = np.asarray(e.verticals["edge"], dtype=bool)
    return np.asarray((numbers(e.verticals["effective_depth_m"]) > 0) & ~edge)


def _unlike(e: Evidence, value: Floats, factor: float) -> Flags:
    """Whether a value is above ``factor`` times, or below ``1/factor`` of, both neighbours with water."""
    able = _inner(e) & ~e.verticals["velocity_interpolated"].to_numpy(dtype=bool) & ~np.isnan(value)
    out = np.zeros(value.size, dtype=bool)
    inner = Groups.of(e.verticals["g"].to_numpy(), e.verticals["channel"].to_numpy()).neighbours(able)
    low = np.minimum(value[inner - 1], value[inner + 1])
    high = np.maximum(value[inner - 1], value[inner + 1])
    out[inner] = (low > 0) & ((value[inner] > factor * high) | (value[inner] < low / factor))
    return out


def edge_missing(e: Evidence) -> pd.DataFrame:
    """Find sections that do not end at an edge."""
    return of_gaugings(e, e.results["open_start"] | e.results["open_end"])


def wall_velocity(e: Evidence, rule: str) -> pd.DataFrame:
    """Find walls whose velocity comes from one rule."""
    return of_verticals(e, e.verticals["wall_rule"] == rule, numbers(e.verticals["mean_velocity_m_s"]))


def velocity_interpolated(e: Evidence) -> pd.DataFrame:
    """Find verticals with water and no velocity."""
    return of_verticals(e, e.verticals["velocity_interpolated"], numbers(e.verticals["mean_velocity_m_s"]))


def points_unusual(e: Evidence) -> pd.DataFrame:
    """Find verticals whose points fit no method."""
    unusual = e.verticals["profile_method"].isin(["one point other", "other points"]) & _inner(e)
    return of_verticals(e, unusual, numbers(e.verticals["points"]))


def discharge_missing(e: Evidence) -> pd.DataFrame:
    """Find gaugings whose discharge could not be computed."""
    return of_gaugings(e, e.results["discharge_m3_s"].isna())


def discharge_differs(e: Evidence) -> pd.DataFrame:
    """Find a discharge handed in with points that differs from the one computed of them."""
    handed_in, ours = numbers(e.gaugings["discharge_m3_s"]), numbers(e.results["discharge_m3_s"])
    base = np.abs(ours)
    share = np.divide(100 * np.abs(handed_in - ours), base, out=np.full(ours.size, np.inf), where=base > 0)
    share = np.where(handed_in == ours, 0.0, share)
    limit = e.policy.value("discharge_differs_pct")
    compared = e.results["recomputable"].to_numpy(dtype=bool) & ~np.isnan(handed_in) & ~np.isnan(ours)
    return of_gaugings(e, compared & (share > limit), handed_in, ours)


def result_inconsistent(e: Evidence) -> pd.DataFrame:
    """Find a result handed in whose discharge is not its area times its mean velocity, whatever rounding did."""
    q, area, velocity = (numbers(e.gaugings[name]) for name in ("discharge_m3_s", "area_m2", "mean_velocity_m_s"))
    product = area * velocity
    rounding = half_digit(area) * np.abs(velocity) + half_digit(velocity) * area + half_digit(q)
    limit = e.policy.value("discharge_differs_pct") / 100 * np.abs(q) + rounding
    return of_gaugings(e, np.abs(q - product) > limit, q, product)


def mean_depth_differs(e: Evidence) -> pd.DataFrame:
    """Find a mean depth handed in that is not the area over the width handed in, whatever rounding did."""
    depth, area, width = (numbers(e.gaugings[name]) for name in ("mean_depth_m", "area_m2", "width_m"))
    quotient = np.divide(area, width, out=np.full(area.size, np.nan), where=width > 0)
    share = np.divide(half_digit(area), area, out=np.zeros(area.size), where=area > 0)
    share = share + np.divide(half_digit(width), width, out=np.zeros(area.size), where=width > 0)
    limit = (e.policy.value("mean_depth_differs_pct") / 100 + share) * quotient + half_digit(depth)
    return of_gaugings(e, np.abs(depth - quotient) > limit, depth, quotient)


def max_depth_unlike_mean(e: Evidence) -> pd.DataFrame:
    """Find a greatest depth handed in that is below the mean depth handed in, or many times it."""
    return _unlike_mean(e, "max_depth_m", "mean_depth_m")


def max_velocity_unlike_mean(e: Evidence) -> pd.DataFrame:
    """Find a greatest velocity handed in that is below the mean velocity handed in, or many times it."""
    return _unlike_mean(e, "max_velocity_m_s", "mean_velocity_m_s")


def _unlike_mean(e: Evidence, most: str, mean: str) -> pd.DataFrame:
    largest, middle = numbers(e.gaugings[most]), numbers(e.gaugings[mean])
    rounding = half_digit(largest) + half_digit(middle)
    factor = e.policy.value("max_over_mean_factor")
    unlike = (largest < middle - rounding) | ((largest - rounding > factor * middle) & (middle > 0))
    return of_gaugings(e, unlike, largest, middle)


def half_digit(values: Floats) -> Floats:
    """Return half a unit of the last decimal digit a number was written with, ``10^-d / 2``.

    Parameters
    ----------
    values : array of float

    Returns
    -------
    array of float
        ``d`` is the fewest decimals that give the number back, but enough for two significant digits, since zeros at
        the end are not seen: 6.0 is not 6. Where it takes more than six the number was computed or converted and
        nothing is known of its digits: 0. So it is for zero itself.
    """
    size = np.abs(np.where(np.isnan(values), 0.0, values))
    unit = np.zeros(values.size)
    for decimals in range(6, -1, -1):
        unit[np.round(values, decimals) == values] = 10.0**-decimals
    with np.errstate(divide="ignore"):
        second = 10.0 ** (np.floor(np.log10(size)) - 1)
    return 0.5 * np.where(size > 0, np.minimum(unit, second), 0.0)


def uncertainties_differ(e: Evidence) -> pd.DataFrame:
    """Find gaugings whose uncertainty by their own scatter differs from that by the tables."""
    table, scatter = numbers(e.results["uncertainty_table_m3_s"]), numbers(e.results["uncertainty_scatter_m3_s"])
    factor = e.policy.value("uncertainties_factor")
    return of_gaugings(e, (scatter > factor * table) & (table > 0), scatter, table)


def uncertainty_large(e: Evidence) -> pd.DataFrame:
    """Find gaugings whose uncertainty passes the office's limit."""
    larger = np.fmax(numbers(e.results["uncertainty_table_pct"]), numbers(e.results["uncertainty_scatter_pct"]))
    limit = e.policy.value("uncertainty_large_pct")
    return of_gaugings(e, larger > limit, larger, limit)


def neighbours_far_apart(e: Evidence) -> pd.DataFrame:
    """Find verticals whose distance to the next takes a large part of the width."""
    width = numbers(e.results["width_m"])[e.verticals["g"].to_numpy()]
    share = np.divide(100 * numbers(e.verticals["water_m"]), width, out=np.zeros(width.size), where=width > 0)
    limit = e.policy.value("spacing_pct")
    many = numbers(e.results["verticals"])[e.verticals["g"].to_numpy()] >= 10
    return of_verticals(e, many & (share > limit), share, limit)


def gauge_height_missing(e: Evidence) -> pd.DataFrame:
    """Find gaugings without any reading of a gauge."""
    return of_gaugings(e, e.results["gauge_height_readings"] == 0)


def gauge_height_single(e: Evidence) -> pd.DataFrame:
    """Find gaugings with one reading only."""
    return of_gaugings(e, e.results["gauge_height_readings"] == 1, numbers(e.results["gauge_height_m"]))


def gauge_height_held(e: Evidence) -> pd.DataFrame:
    """Find gaugings for part of which the nearest reading was held."""
    minutes = numbers(e.results["gauge_height_held_s"]) / 60
    return of_gaugings(e, (minutes > 0) & (e.results["gauge_height_readings"] > 1), minutes)


def gauge_not_reference(e: Evidence) -> pd.DataFrame:
    """Find gaugings whose height is another gauge's than the reference gauge's."""
    read = e.results["gauge_height_readings"] > 0
    return of_gaugings(e, read & ~e.results["gauge_height_reference"], numbers(e.results["gauge_height_m"]))


def offset_unlike_site(e: Evidence) -> pd.DataFrame:
    """Find times handed in with an offset that is neither the site's nor an hour more."""
    newest = e.sites.sort_values("valid_from", na_position="first", kind="stable").drop_duplicates("site", keep="last")
    site = e.gaugings["site"].map(_hours(newest.set_index("site")["utc_offset"])).to_numpy(dtype="float64")
    given = _hours(e.gaugings["offset_given"]).to_numpy(dtype="float64")
    return of_gaugings(e, ~np.isnan(site) & ~np.isnan(given) & ((given < site) | (given > site + 1)), given, site)


def _hours(offsets: pd.Series) -> pd.Series:
    """Read offsets as in -07:00 as hours."""
    codes, words = pd.factorize(offsets)
    hours = np.array([*(_hours_of(str(word)) for word in words), np.nan])
    return pd.Series(hours[codes], index=offsets.index)


def _hours_of(offset: str) -> float:
    match = re.fullmatch(r"([+-])(\d{2}):(\d{2})", offset)
    if match is None:
        return np.nan
    size = int(match[2]) + int(match[3]) / 60
    return -size if match[1] == "-" else size
