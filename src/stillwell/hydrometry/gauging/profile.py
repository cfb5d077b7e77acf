"""Mean velocity in a vertical from the velocities at its points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.grouped import Groups, numbered
from stillwell.schemas.words import PROFILE_METHODS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

FRACTIONS = (0.0, 0.2, 0.4, 0.5, 0.6, 0.8, 1.0)
"""Depths, as fractions from the surface, that a method may ask for; the first is the surface, the last the bed."""

OTHER = len(FRACTIONS)
"""Class of a point at any other fraction."""

TOLERANCE = 0.02
"""A point this near to a fraction counts as at it (common practice, no source); the surface and the bed take 0.05."""

_TENTHS = {0: 0, 2: 1, 4: 2, 5: 3, 6: 4, 8: 5, 10: 6}

WEIGHTS: dict[str, dict[float, float]] = {
    "one point 0.6": {0.6: 1.0},
    "two points": {0.2: 0.5, 0.8: 0.5},
    "three points": {0.2: 0.25, 0.6: 0.5, 0.8: 0.25},
    "five points": {0.0: 0.1, 0.2: 0.3, 0.6: 0.3, 0.8: 0.2, 1.0: 0.1},
    "six points": {0.0: 0.1, 0.2: 0.2, 0.4: 0.2, 0.6: 0.2, 0.8: 0.2, 1.0: 0.1},
}
"""Weight of each point. One, two points: read (DRMS App. D p. 16; CWCB 55378 p. 17). Three: WSP 2175 as
remembered. Five and six: ISO 748 as remembered."""


@dataclass(frozen=True)
class Means:
    """Mean velocity of each vertical and how it was made."""

    velocity: Floats
    """m/s; NaN where the vertical has no velocity."""
    method: Ints
    """Index into ``PROFILE_METHODS``."""
    points: Ints
    """Number of points with a velocity."""


def vertical_means(
    groups: Groups,
    relative_depth: Floats,
    velocity: Floats,
    ice: Flags,
    coefficient: Floats,
    choices: Choices,
) -> Means:
    """Average the point velocities of each vertical by the method its points call for.

    ``v_mean = sum(w_j v_j)``, with weights w_j of ``WEIGHTS``; for one point ``v_mean = c v``; for any other
    set the velocity curve is integrated over the depth.

    Parameters
    ----------
    groups : Groups
        The points of each vertical.
    relative_depth, velocity : float array, shape (points,)
        Fraction of the (effective) depth from the surface or the underside of ice; m/s normal to the
        section, NaN where none was read.
    ice : bool array, shape (verticals,)
        Whether the vertical is under ice.
    coefficient : float array, shape (verticals,)
        Coefficient handed in for a one-point vertical, NaN where none.
    choices : Choices

    Returns
    -------
    Means

    Notes
    -----
    Sources: see ``WEIGHTS`` and ``Choices``.
    """
    has = ~np.isnan(velocity)
    kind = point_class(relative_depth)
    count = groups.reduce(np.add, has, np.int64)
    # which classes of depth a vertical has points in, one bit each: the set of its points as one number, so that its
    # method is looked up in a table and no loop over verticals is needed
    mask = groups.reduce(np.bitwise_or, np.where(has, 1 << kind, 0))
    # two points of one class leave fewer bits than points: such a set is no method's
    method = np.where(_bits(mask) == count, _method_of_mask()[mask], _index("other points"))
    method = np.where((method == _index("other points")) & (count >= 6), _index("velocity curve"), method)
    weights = _weights(choices)
    row_weights = weights[method + len(PROFILE_METHODS) * ice]
    weighted = row_weights[groups.owner, kind] * np.where(has, velocity, 0.0)
    mean = np.where(count == 0, np.nan, groups.reduce(np.add, weighted))
    single = (count == 1) & ~np.isnan(coefficient)
    if single.any():
        total = groups.reduce(np.add, np.where(has, velocity, 0.0))
        mean = np.where(single, coefficient * total, mean)
    # a coefficient handed in says all there is to say of a single point; every other odd set gets its curve
    curved = np.isin(method, (_index("velocity curve"), _index("other points"))) | (
        (method == _index("one point other")) & ~single
    )
    for_curve = np.flatnonzero(curved)
    if for_curve.size:
        mean[for_curve] = _integrate(for_curve, groups, relative_depth, velocity, ice, choices)
    return Means(mean, method, count)


def point_class(relative_depth: Floats) -> Ints:
    """Say which of ``FRACTIONS`` each point lies at; ``OTHER`` for any other depth, known or not."""
    tenths = np.where(np.isnan(relative_depth), -1.0, relative_depth * 10)
    nearest = np.rint(tenths).astype(np.int64)
    within = np.abs(tenths - nearest) <= np.where((nearest == 0) | (nearest == 10), 0.5, 10 * TOLERANCE + 1e-9)
    table = np.full(12, OTHER, dtype=np.int64)
    for tenth, number in _TENTHS.items():
        table[tenth] = number
    return np.where(within, table[nearest], OTHER)


def _bits(mask: Ints) -> Ints:
    return np.array([bin(i).count("1") for i in range(2 ** (OTHER + 1))], dtype=np.int64)[mask]


def _index(name: str) -> int:
    return PROFILE_METHODS.index(name)


@lru_cache(maxsize=1)
def _method_of_mask() -> Ints:
    """List the method of every possible set of point classes."""
    table = np.full(2 ** (OTHER + 1), _index("other points"), dtype=np.int64)
    ones = {0.6: "one point 0.6", 0.5: "one point 0.5", 0.2: "one point 0.2", 0.0: "surface"}
    for number, fraction in enumerate(FRACTIONS):
        table[1 << number] = _index(ones.get(fraction, "one point other"))
    table[1 << OTHER] = _index("one point other")
    for name, weights in WEIGHTS.items():
        table[sum(1 << FRACTIONS.index(fraction) for fraction in weights)] = _index(name)
    table[0] = _index("none")
    return table


@lru_cache(maxsize=8)
def _weights(choices: Choices) -> Floats:
    """Weights by method (open water, then under ice) and point class."""
    table = np.zeros((2, len(PROFILE_METHODS), OTHER + 1))
    for name, weights in WEIGHTS.items():
        for fraction, weight in weights.items():
            table[:, _index(name), FRACTIONS.index(fraction)] = weight
    single = (
        ("one point 0.2", 0.2, choices.coefficient_02, choices.coefficient_02),
        ("one point 0.5", 0.5, choices.coefficient_05, choices.coefficient_ice_05),
        ("one point 0.6", 0.6, 1.0, choices.coefficient_ice_06),
        ("surface", 0.0, choices.coefficient_surface, choices.coefficient_surface),
    )
    for name, fraction, in_the_open, under_ice in single:
        table[:, _index(name), FRACTIONS.index(fraction)] = in_the_open, under_ice
    return table.reshape(-1, OTHER + 1)


def _integrate(
    which: Ints, groups: Groups, relative_depth: Floats, velocity: Floats, ice: Flags, choices: Choices
) -> Floats:
    """Integrate the velocity curve of some verticals: straight between points, constant up to a free surface.

    From the lowest point to the bed, and from the highest to the underside of ice, ``v = v_1 (y/y_1)^(1/n)``,
    whose mean over the strip is ``v_1 n/(n+1)``. A single point at fraction r of open water is taken to lie on
    ``v = v_s (1-r)^(1/n)``, so ``v_mean = v n/(n+1) / (1-r)^(1/n)``.
    """
    owner, number = numbered(groups.counts[which])
    rows = groups.first[which][owner] + number
    known = ~np.isnan(velocity[rows]) & ~np.isnan(relative_depth[rows])
    rows, owner = rows[known], owner[known]
    if not rows.size:
        return np.full(which.size, np.nan)
    order = np.lexsort((relative_depth[rows], owner))
    r, v, owner = relative_depth[rows][order], velocity[rows][order], owner[order]
    count = np.bincount(owner, minlength=which.size)
    lines = Groups.of(owner)
    strips = np.where(lines.joined, np.diff(r) * (v[1:] + v[:-1]) / 2, 0.0)
    total = np.bincount(owner[1:], weights=strips, minlength=which.size).astype(np.float64)
    begins, ends = lines.first, lines.last
    n = choices.bed_exponent
    full = n / (n + 1)
    mine = owner[begins]
    total[mine] += v[begins] * r[begins] * np.where(ice[which][mine], full, 1.0)
    total[mine] += v[ends] * (1 - r[ends]) * full
    lone = mine[(count[mine] == 1) & ~ice[which][mine]]
    if lone.size:
        at = begins[np.searchsorted(mine, lone)]
        total[lone] = v[at] * full / np.maximum(1 - r[at], 0.01) ** (1 / n)
    return np.where(count > 0, total, np.nan)
