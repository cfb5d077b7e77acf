"""Mean gauge height of a gauging: time-weighted and discharge-weighted, from the readings around it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.grouped import Groups, numbered

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NO_TIME = np.iinfo(np.int64).min


@dataclass(frozen=True)
class Heights:
    """Gauge height of each gauging; NaN where no reading serves."""

    time_mean: Floats
    change: Floats
    held_s: Floats
    """Time at the start and end of the gauging for which the nearest reading was held."""
    readings: Ints
    gauge: pd.Series
    """Name of the gauge used; missing for the reference gauge and where there is none."""
    reference: NDArray[np.bool_]
    nodes: Nodes
    used: pd.DataFrame
    """The readings that served, with ``g``."""


@dataclass(frozen=True)
class Nodes:
    """Stage through each gauging as a line of points: gauging, seconds after its start, height."""

    g: Ints
    at_s: Floats
    height: Floats
    duration_s: Floats
    """Per gauging."""


def microseconds(times: pd.Series) -> Ints:
    """Read UTC times as microseconds since 1970; a missing time is the least integer."""
    return np.asarray(times.dt.as_unit("us").astype("int64"), dtype=np.int64)


def gauge_heights(gaugings: pd.DataFrame, readings: pd.DataFrame, choices: Choices) -> Heights:
    """Find the readings that serve each gauging and average them over its time.

    ``H = sum(t_i h_i) / T``: t_i time between two readings (s), h_i mean of the two (m), T duration (s).
    Readings are interpolated to start and end; where none lies beyond, the nearest is held.

    Parameters
    ----------
    gaugings : DataFrame
        ``deposit``, ``gauging``, ``site``, ``started_at``, ``ended_at``; one row per gauging.
    readings : DataFrame
        ``site``, ``gauge``, ``read_at``, ``gauge_height_m``, ``deposit``, ``gauging``.
    choices : Choices

    Returns
    -------
    Heights

    Notes
    -----
    WSP 2175 pp. 170-172 as remembered. One gauge serves: the reference gauge (blank name) where it was read,
    else the one read most often.
    """
    n = len(gaugings)
    start, end = microseconds(gaugings["started_at"]), microseconds(gaugings["ended_at"])
    duration = (end - start) / 1e6
    pairs = _one_gauge(_serving(gaugings, readings, start, end, choices), readings)
    g, row = pairs["g"].to_numpy(), pairs["row"].to_numpy()
    at = (microseconds(readings["read_at"])[row] - start[g]) / 1e6
    height = readings["gauge_height_m"].to_numpy()[row]
    order = np.lexsort((at, g))
    g, row, at, height = g[order], row[order], at[order], height[order]
    keep = _needed(g, at, duration)
    g, row, at, height = g[keep], row[keep], at[keep], height[keep]
    nodes = _nodes(g, at, height, duration, n)
    count = np.bincount(g, minlength=n)
    held_s = np.zeros(n)
    groups = Groups.of(g)
    first, last = groups.first, groups.last
    held_s[g[first]] = np.maximum(at[first], 0) + np.maximum(duration[g[last]] - at[last], 0)
    used = readings.iloc[row].reset_index(drop=True).assign(g=g)
    gauge = pd.Series(pd.NA, index=range(n), dtype="str")
    gauge.iloc[g[first]] = used["gauge"].to_numpy()[first]
    mean, change = _time_mean(nodes, n)
    return Heights(mean, change, held_s, count, gauge, (count > 0) & gauge.isna().to_numpy(), nodes, used)


def discharge_weighted(nodes: Nodes, g: Ints, at_s: Floats, discharge: Floats, count: int) -> Floats:
    """Weight the stage at the time of each panel by its discharge: ``H = sum(q_i h_i) / sum(q_i)``.

    Parameters
    ----------
    nodes : Nodes
    g : int array, shape (panels,)
        Gauging of each panel.
    at_s : float array, shape (panels,)
        Time of the panel's velocity after the gauging's start, s; NaN where unknown.
    discharge : float array, shape (panels,)
        m3/s, signed.
    count : int
        Number of gaugings.

    Returns
    -------
    float array, shape (count,)
        m; NaN where a panel with discharge has no time, or ``|sum q_i|`` is a fifth of ``sum |q_i|`` or less.

    Notes
    -----
    WSP 2175 pp. 170-172 as remembered.
    """
    if np.isnan(at_s).all():
        return np.full(count, np.nan)
    flows = discharge != 0
    g, at_s, discharge = g[flows], at_s[flows], discharge[flows]
    height = stage_at(nodes, g, at_s)
    total = np.bincount(g, weights=discharge, minlength=count)
    magnitude = np.bincount(g, weights=np.abs(discharge), minlength=count)
    weighted = np.bincount(g, weights=discharge * height, minlength=count)
    sound = np.abs(total) > 0.2 * magnitude
    return np.divide(weighted, total, out=np.full(count, np.nan), where=sound)


def stage_at(nodes: Nodes, g: Ints, at_s: Floats) -> Floats:
    """Interpolate the stage of a gauging at some seconds after its start; NaN where it has no stage or time.

    Parameters
    ----------
    nodes : Nodes
    g : int array
    at_s : float array
        Held at start and end beyond them.

    Returns
    -------
    float array
    """
    inside = np.clip(np.nan_to_num(at_s), 0.0, nodes.duration_s[g])
    height = _on_line(nodes.g, nodes.at_s, nodes.height, g, inside)
    height[np.isnan(at_s)] = np.nan
    return height


def _on_line(line_g: Ints, line_at: Floats, line_height: Floats, g: Ints, at: Floats) -> Floats:
    """Interpolate on the line of the same gauging, holding its ends; NaN where a gauging has no line.

    The lines are sorted by gauging and time. Places are found by sorting, so that what a gauging gets does not
    depend on the gaugings beside it.
    """
    out = np.full(g.size, np.nan)
    if not line_g.size or not g.size:
        return out
    after = _count_before(line_g, line_at, g, at, or_at=True)
    low, high = after - 1, after
    has_low = (low >= 0) & (line_g[np.maximum(low, 0)] == g)
    has_high = (high < line_g.size) & (line_g[np.minimum(high, line_g.size - 1)] == g)
    low, high = np.where(has_low, low, high), np.where(has_high, high, low)
    mine = np.flatnonzero(has_low | has_high)
    low, high = low[mine], high[mine]
    span = line_at[high] - line_at[low]
    part = np.zeros(mine.size)
    np.divide(at[mine] - line_at[low], span, out=part, where=span > 0)
    out[mine] = line_height[low] + part * (line_height[high] - line_height[low])
    return out


def _serving(gaugings: pd.DataFrame, readings: pd.DataFrame, start: Ints, end: Ints, choices: Choices) -> pd.DataFrame:
    """Pair each gauging with the readings of its site near its time, and those handed in for it by label."""
    window = round(choices.gauge_height_window_s * 1e6)
    sites = pd.Index(gaugings["site"].unique())
    place = sites.get_indexer(readings["site"])
    time = microseconds(readings["read_at"])
    order = np.lexsort((time, place))
    of_gauging = sites.get_indexer(gaugings["site"])
    low = _count_before(place, time, of_gauging, start - window)
    high = _count_before(place, time, of_gauging, end + window + 1)
    g, offset = numbered(high - low)
    near = pd.DataFrame({"g": g, "row": order[low[g] + offset]})
    label = pd.MultiIndex.from_frame(gaugings[["deposit", "gauging"]])
    named = np.flatnonzero(readings["gauging"].notna())
    if named.size and label.is_unique:
        owner = label.get_indexer(pd.MultiIndex.from_frame(readings[["deposit", "gauging"]].iloc[named]))
        named, owner = named[owner >= 0], owner[owner >= 0]
        same = place[named] == of_gauging[owner]
        near = pd.concat([near, pd.DataFrame({"g": owner[same], "row": named[same]})], ignore_index=True)
    return near.drop_duplicates(ignore_index=True)


def _count_before(
    place: Ints, time: NDArray[Any], asked_place: Ints, asked_time: NDArray[Any], *, or_at: bool = False
) -> Ints:
    """Count, for each question, the rows of an earlier place, or of the same place before (or at) a time."""
    both_place = np.r_[place, asked_place]
    is_row = np.r_[np.ones(place.size, dtype=bool), np.zeros(asked_place.size, dtype=bool)]
    order = np.lexsort((~is_row if or_at else is_row, np.r_[time, asked_time], both_place))
    out = np.empty(order.size, dtype=np.int64)
    out[order] = np.cumsum(is_row[order])
    return out[place.size :]


def _one_gauge(pairs: pd.DataFrame, readings: pd.DataFrame) -> pd.DataFrame:
    """Keep, for each gauging, the readings of one gauge only."""
    gauge = readings["gauge"].fillna("").astype("str").to_numpy()[pairs["row"].to_numpy()]
    pairs = pairs.assign(gauge=gauge, reference=gauge == "")
    counted = pairs.groupby(["g", "gauge"], sort=False).agg(n=("row", "size"), reference=("reference", "first"))
    best = counted.reset_index().sort_values(["g", "reference", "n", "gauge"], ascending=[True, False, False, True])
    best = best.drop_duplicates("g")[["g", "gauge"]]
    return pairs.merge(best, on=["g", "gauge"])


def _needed(g: Ints, at: Floats, duration: Floats) -> NDArray[np.bool_]:
    """Keep of the sorted readings those inside, the last before the start and the first after the end."""
    if not g.size:
        return np.zeros(0, dtype=bool)
    joined = Groups.of(g).joined
    next_same = np.r_[joined, False]
    next_early = next_same & (np.r_[at[1:], np.inf] <= 0)
    last_same = np.r_[False, joined]
    last_late = last_same & (np.r_[-np.inf, at[:-1]] >= duration[g])
    return np.asarray(~next_early & ~last_late, dtype=bool)


def _nodes(g: Ints, at: Floats, height: Floats, duration: Floats, n: int) -> Nodes:
    """Draw the line through the readings from start to end of each gauging."""
    if not g.size:
        return Nodes(g, at, height, duration)
    mine = np.unique(g)
    asked = np.concatenate([np.zeros(mine.size), duration[mine]])
    at_ends = _on_line(g, at, height, np.tile(mine, 2), asked)
    inside = (at > 0) & (at < duration[g])
    all_g = np.concatenate([mine, g[inside], mine])
    all_at = np.concatenate([np.zeros(mine.size), at[inside], duration[mine]])
    all_h = np.concatenate([at_ends[: mine.size], height[inside], at_ends[mine.size :]])
    order = np.lexsort((all_at, all_g))
    return Nodes(all_g[order], all_at[order], all_h[order], duration)


def _time_mean(nodes: Nodes, n: int) -> tuple[Floats, Floats]:
    mean, change = np.full(n, np.nan), np.full(n, np.nan)
    if not nodes.g.size:
        return mean, change
    groups = Groups.of(nodes.g)
    step = np.where(groups.joined, np.diff(nodes.at_s), 0.0)
    area = np.bincount(nodes.g[1:], weights=step * (nodes.height[1:] + nodes.height[:-1]) / 2, minlength=n)
    length = np.bincount(nodes.g[1:], weights=step, minlength=n)
    first, last = groups.first, groups.last
    mine = nodes.g[first]
    change[mine] = nodes.height[last] - nodes.height[first]
    mean[mine] = nodes.height[first]
    lasting = length > 0
    mean[lasting] = area[lasting] / length[lasting]
    return mean, change
