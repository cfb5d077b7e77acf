"""Panels of a section from its verticals: water between them, edges, islands, walls, discharge.

Verticals of a gauging are contiguous rows in the order of their position. Between a closing and the next
opening edge there is no water.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.grouped import Groups

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

NO_WALL, WALL_GIVEN, WALL_RATIO, WALL_TABLE, WALL_POWER = range(5)
"""Where the velocity at a wall comes from."""


@dataclass(frozen=True)
class Section:
    """Verticals of all gaugings, in order of position.

    ``groups`` are the verticals of each gauging; ``depth`` is effective (under ice from its underside);
    ``velocity`` is NaN where none was measured; ``ratio`` is the velocity at a wall over its neighbour's mean as
    handed in, else NaN.
    """

    groups: Groups
    position: Floats
    depth: Floats
    velocity: Floats
    edge: Flags
    ratio: Floats
    mean_section: Flags
    """Per gauging."""


@dataclass(frozen=True)
class Panels:
    """Panels of all gaugings, one per vertical."""

    velocity: Floats
    """m/s, with what was interpolated and what a wall was given."""
    width: Floats
    area: Floats
    discharge: Floats
    channel: Ints
    """Number of the channel from the start of the tag line; 0 where a vertical borders no water."""
    water: Floats
    """Length of water between the row before and this one, m."""
    interpolated: Flags
    wall: Ints
    open_start: Flags
    open_end: Flags


def panels(section: Section, choices: Choices) -> Panels:
    """Compute the panel of every vertical of every gauging.

    Mid-section: ``b_i = (L_i + L_(i+1))/2``, ``q_i = v_i d_i b_i``; mean-section, booked on the farther row:
    ``q_i = (v_(i-1) + v_i)/2 (d_(i-1) + d_i)/2 L_i``. L_i is the length of water between rows i-1 and i (m),
    d depth (m), v mean velocity in the vertical (m/s), b width (m), q discharge (m3/s).

    Parameters
    ----------
    section : Section
    choices : Choices

    Returns
    -------
    Panels

    Notes
    -----
    Mid-section: USBR Water Measurement Manual ch. 10 sec. 15 (read). Mean-section: ISO 748 as remembered.
    """
    water, channel, open_start, open_end = _water(section)
    velocity, interpolated = _fill(section, channel)
    velocity, wall = _walls(section, velocity, water, channel, choices)
    width, area, discharge = _mid(section, velocity, water, choices)
    if section.mean_section.any():
        by_row = section.groups.spread(section.mean_section)
        mean = _mean(section, velocity, water, wall, choices)
        width, area, discharge = (np.where(by_row, m, b) for m, b in zip(mean, (width, area, discharge), strict=True))
    return Panels(velocity, width, area, discharge, channel, water, interpolated, wall, open_start, open_end)


def position_order(g: Ints, position: Floats, depth: Floats, walked: Ints) -> Ints:
    """Order verticals by gauging and position; of two edges at one position the deeper faces the water at an end.

    Parameters
    ----------
    g : int array
        Gauging of each vertical; verticals of a gauging are contiguous and in the order walked.
    position, depth : float array
        m.
    walked : int array
        Place of the vertical in the order walked.

    Returns
    -------
    int array
        Rows in order.
    """
    if not g.size:
        return np.zeros(0, dtype=np.int64)
    if np.all((g[1:] > g[:-1]) | ((g[1:] == g[:-1]) & (position[1:] > position[:-1]))):
        return np.arange(g.size)
    groups = Groups.of(g)
    backwards = groups.spread(position[groups.last] < position[groups.first])
    low, high = (groups.spread(groups.reduce(how, position)) for how in (np.minimum, np.maximum))
    tie = np.where(backwards, -walked, walked).astype("float64")
    tie = np.where(position == low, depth, tie)
    tie = np.where(position == high, -depth, tie)
    return np.lexsort((tie, position, g))


def edges_pair(groups: Groups, position: Floats, edge: Flags) -> Flags:
    """Say of each gauging whether every edge that closes a channel is followed by one that opens, and so on.

    Parameters
    ----------
    groups : Groups
        The verticals of each gauging, in order of position.
    position : float array, shape (verticals,)
    edge : bool array, shape (verticals,)

    Returns
    -------
    bool array, shape (gaugings,)
        An end without an edge counts as water that goes on.
    """
    count = groups.reduce(np.add, _counted(groups, position, edge), np.int64)
    ends_in_water = (count + ~edge[groups.first]) % 2 == 1
    return np.asarray(ends_in_water == ~edge[groups.last])


def on_dry_ground(groups: Groups, position: Floats, edge: Flags) -> Flags:
    """Say of each vertical whether it lies between an edge that closes a channel and one that opens the next."""
    return ~_in_water(groups, _counted(groups, position, edge), edge) & ~edge


def _counted(groups: Groups, position: Floats, edge: Flags) -> Flags:
    """Say which rows are an edge that opens or closes a channel."""
    return edge & ~_steps_at_ends(groups, position, edge)


def _in_water(groups: Groups, counted: Flags, edge: Flags) -> Flags:
    """Say of each row whether water lies just before it, as far as the edges before it tell.

    Edges open and close channels in turn, so that water lies before a row where an odd number of them was passed since
    the start of the tag line; a section whose first row is no edge starts in water, as if one had been passed before
    it. One cumulative sum over all gaugings, less its value at the first row of each, counts them for all at once.
    """
    edges: Ints = np.cumsum(counted) - counted
    passed = edges - groups.spread((edges - ~edge)[groups.first])
    return np.asarray(passed % 2 == 1)


def _water(section: Section) -> tuple[Floats, Ints, Flags, Flags]:
    """Find the length of water before each row, the channel of each row, and which ends have no edge."""
    groups, edge = section.groups, section.edge
    counted = _counted(groups, section.position, edge)
    open_start, open_end = ~edge[groups.first], ~edge[groups.last]
    # before the first row of a gauging lies the last of another
    wet = _in_water(groups, counted, edge)
    wet[groups.first] = False
    length = np.diff(section.position, prepend=section.position[:1])
    water = np.where(wet, length, 0.0)
    # a channel begins with each stretch of water after none; counted as the edges are, from 1 in every gauging
    opens = wet & ~np.r_[False, wet[:-1]]
    number = np.cumsum(opens)
    number = number - groups.spread((number - opens)[groups.first])
    after = np.r_[wet[1:], False]
    borders = wet | after
    channel = np.where(wet, number, np.r_[number[1:], 0])
    return water, np.where(borders, channel, 0), open_start, open_end


def _steps_at_ends(groups: Groups, position: Floats, edge: Flags) -> Flags:
    """Mark the outer row of two edges at one position at an end: a step in the bank, not a channel."""
    outer = np.zeros(position.size, dtype=bool)
    longer = groups.counts > 1
    start, end = groups.first[longer], groups.last[longer]
    for row, inner in ((start, start + 1), (end, end - 1)):
        step = edge[row] & edge[inner] & (position[row] == position[inner])
        outer[row[step]] = True
    return outer


def _fill(section: Section, channel: Ints) -> tuple[Floats, Flags]:
    """Interpolate a missing velocity between its neighbours in the same channel; dry rows and edges hold 0."""
    velocity = np.where((section.depth == 0) & np.isnan(section.velocity), 0.0, section.velocity)
    missing = np.isnan(velocity) & ~section.edge
    if not missing.any():
        return velocity, missing
    rows = np.arange(velocity.size)
    channels = Groups.of(section.groups.owner, channel)
    run = channels.owner
    known = ~np.isnan(velocity)
    # the nearest known row on either side, over all rows at once: it counts only if it lies in the same channel, and
    # where one side has none the other's velocity is held
    left = np.maximum.accumulate(np.where(known, rows, -1))
    right = np.minimum.accumulate(np.where(known, rows, rows.size)[::-1])[::-1]
    at = np.flatnonzero(missing)
    lo, hi = left[at], right[at]
    has_lo = (lo >= 0) & (run[np.maximum(lo, 0)] == run[at])
    has_hi = (hi < rows.size) & (run[np.minimum(hi, rows.size - 1)] == run[at])
    lo, hi = np.where(has_lo, lo, hi), np.where(has_hi, hi, lo)
    either = has_lo | has_hi
    at, lo, hi = at[either], lo[either], hi[either]
    span = section.position[hi] - section.position[lo]
    part = np.divide(section.position[at] - section.position[lo], span, out=np.zeros(at.size), where=span > 0)
    velocity[at] = velocity[lo] + part * (velocity[hi] - velocity[lo])
    # dry rows and edges alone, which hold 0, say nothing of the water between them
    measured = channels.reduce(np.logical_or, ~np.isnan(section.velocity) & (section.depth > 0))
    velocity[missing & ~channels.spread(measured)] = np.nan
    return velocity, missing


def _walls(section: Section, velocity: Floats, water: Floats, channel: Ints, choices: Choices) -> tuple[Floats, Ints]:
    """Give each wall its velocity: as handed in, else the ratio handed in, else the office's rule."""
    wall = np.full(velocity.size, NO_WALL, dtype=np.int64)
    at = np.flatnonzero(section.edge & (section.depth > 0) & (channel > 0))
    if not at.size:
        return velocity, wall
    velocity = velocity.copy()
    inward = np.where(water[at] > 0, -1, 1)
    neighbour = at + inward
    distance = np.abs(section.position[neighbour] - section.position[at]) / section.depth[at]
    near = velocity[neighbour]
    given, ratio = ~np.isnan(velocity[at]), section.ratio[at]
    by_rule = np.isnan(ratio)
    if choices.edge_rule == "power law":
        m = choices.edge_exponent
        rule, factor = WALL_POWER, np.full(at.size, m / (m + 1) * 0.5 ** (1 / m))
    else:
        table = np.interp(distance, choices.wall_distances, choices.wall_ratios)
        rule, factor = WALL_TABLE, choices.wall_ratios[0] / table
    estimated = near * np.where(by_rule, factor, ratio)
    velocity[at] = np.where(given, velocity[at], estimated)
    wall[at] = np.where(given, WALL_GIVEN, np.where(by_rule, rule, WALL_RATIO))
    return velocity, wall


def _mid(section: Section, velocity: Floats, water: Floats, choices: Choices) -> tuple[Floats, Floats, Floats]:
    width = 0.5 * water
    width[:-1] += 0.5 * water[1:]
    if choices.edge_rule == "triangular":
        width = _triangular(section, width, water)
    area = width * section.depth
    # a panel without water has no discharge, whatever its velocity is not known to be
    discharge = np.where(area > 0, area * np.where(area > 0, velocity, 0.0), 0.0)
    return width, area, discharge


def _triangular(section: Section, width: Floats, water: Floats) -> Floats:
    """Give the vertical next to a sloping edge the width ``(b_1 + b_2/2)^2 / (2 b_1)``, and the edge none."""
    width = width.copy()
    following = np.r_[water[1:], 0.0]
    sloping = section.edge & (section.depth == 0)
    for inward, strip, beyond in ((1, following, np.r_[following[1:], 0.0]), (-1, water, np.r_[0.0, water[:-1]])):
        at = np.flatnonzero(sloping & (strip > 0))
        inner = at + inward
        other = np.clip(at + 2 * inward, 0, sloping.size - 1)
        # between two sloping edges the rule of either side would claim the one vertical
        alone = (beyond[at] <= 0) | sloping[other]
        b1, b2 = strip[at][~alone], beyond[at][~alone]
        width[inner[~alone]] = (b1 + b2 / 2) ** 2 / (2 * b1)
        width[at[~alone]] = 0.0
    return width


def _mean(
    section: Section, velocity: Floats, water: Floats, wall: Ints, choices: Choices
) -> tuple[Floats, Floats, Floats]:
    width = water
    depth = 0.5 * section.depth
    depth[1:] += 0.5 * section.depth[:-1]
    speed = 0.5 * velocity
    speed[1:] += 0.5 * velocity[:-1]
    if choices.edge_rule == "power law":
        speed = _power_strips(section, speed, velocity, water, wall, choices)
    area = np.where(width > 0, width * depth, 0.0)
    return width, area, np.where(area > 0, area * np.where(area > 0, speed, 0.0), 0.0)


def _power_strips(
    section: Section, speed: Floats, velocity: Floats, water: Floats, wall: Ints, choices: Choices
) -> Floats:
    """Give a strip next to an edge the mean ``v_1 m/(m+1)`` of the power law, unless its velocity was given."""
    full = choices.edge_exponent / (choices.edge_exponent + 1)
    ruled = section.edge & np.isin(wall, (NO_WALL, WALL_POWER))
    closing = np.flatnonzero(ruled & (water > 0))
    opening = np.flatnonzero(ruled[:-1] & (water[1:] > 0)) + 1
    speed = speed.copy()
    speed[closing] = full * velocity[closing - 1]
    speed[opening] = full * velocity[opening]
    return speed
