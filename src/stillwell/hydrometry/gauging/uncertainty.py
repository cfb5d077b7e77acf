"""How sure a discharge is: combined from tables by component, and from the scatter of the measurement itself.

Everything here is standard uncertainty (k = 1) in m3/s, so that it stands at zero and reversed flow too.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.gauging import uncertainty_tables as tables
from stillwell.hydrometry.grouped import Groups
from stillwell.schemas.words import COMPONENTS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

DEFAULT_EXPOSURE_S = 40.0
"""Taken where no exposure was noted: the least that is usual (DRMS App. D p. 16, read)."""

FEWEST_TRIPLES = 3
"""Inner verticals with neighbours on both sides that the scatter needs; fewer say nothing (chosen)."""


def from_tables(panels: pd.DataFrame, verticals: Ints, count: int) -> Floats:
    """Combine the uncertainties of the tables, component by component.

    ``u^2 = (u_m^2 + u_s^2) S^2 + sum(q_i^2 (u_b^2 + u_d^2 + u_p^2 + (u_c^2 + u_e^2)/n_i))`` with ``S = sum |q_i|``:
    u_m number of verticals, u_s systematic, u_b width, u_d depth, u_p points in the vertical, u_c meter
    calibration, u_e exposure (relative, k = 1), q_i discharge of a panel (m3/s), n_i its number of points.

    Parameters
    ----------
    panels : DataFrame
        By gauging ``g`` and position, as of ``compute.Computed.verticals``: ``discharge_m3_s``, ``points``,
        ``mean_velocity_m_s``, ``exposure_s`` and ``deep``, whether the lowest point lay at 0.8 of the depth or below.
    verticals : int array, shape (gaugings,)
        Verticals with water.
    count : int
        Number of gaugings.

    Returns
    -------
    float array, shape (7, gaugings)
        Standard uncertainty of each component of ``COMPONENTS``, m3/s; they combine in quadrature.

    Notes
    -----
    ISO 748:2007 as remembered; S in place of Q keeps the sum meaningful where panels run both ways.
    """
    g, discharge = panels["g"].to_numpy(), panels["discharge_m3_s"].to_numpy()
    points, speed = panels["points"].to_numpy(), np.abs(panels["mean_velocity_m_s"].to_numpy())
    q2 = discharge**2
    n = np.maximum(points, 1)
    total = np.bincount(g, weights=np.abs(discharge), minlength=count)
    by_panel = {
        "width": np.full(q2.size, tables.WIDTH),
        "depth": np.full(q2.size, tables.DEPTH),
        "points in the vertical": np.interp(points, *tables.POINTS),
        "meter calibration": np.interp(speed, *tables.CALIBRATION) / np.sqrt(n),
        "exposure": _exposure(speed, panels["exposure_s"].to_numpy(), panels["deep"].to_numpy(dtype=bool)) / np.sqrt(n),
    }
    whole = {
        "number of verticals": np.interp(verticals, *tables.VERTICALS) * total,
        "systematic": tables.SYSTEMATIC * total,
    }
    out = np.empty((len(COMPONENTS), count))
    for row, name in enumerate(COMPONENTS):
        if name in whole:
            out[row] = whole[name]
        else:
            squares = np.where(q2 > 0, q2 * np.where(q2 > 0, by_panel[name], 0.0) ** 2, 0.0)
            out[row] = np.sqrt(np.bincount(g, weights=squares, minlength=count))
    return out / 100


def _exposure(speed: Floats, exposure_s: Floats, deep: Flags) -> Floats:
    """Interpolate the exposure table in velocity and time, held at its ends."""
    minutes = np.where(np.isnan(exposure_s), DEFAULT_EXPOSURE_S, exposure_s) / 60
    i, part_v = _place(np.nan_to_num(speed), tables.EXPOSURE_VELOCITIES)
    j, part_t = _place(minutes, tables.EXPOSURE_MINUTES)
    table = _exposure_table()
    k = deep.astype(np.int64)
    low = table[k, i, j] * (1 - part_t) + table[k, i, j + 1] * part_t
    high = table[k, i + 1, j] * (1 - part_t) + table[k, i + 1, j + 1] * part_t
    return np.asarray(low * (1 - part_v) + high * part_v)


@cache
def _exposure_table() -> Floats:
    return np.array([tables.EXPOSURE_UPPER, tables.EXPOSURE_LOWER], dtype=float)


def _place(values: Floats, grid: tuple[float, ...]) -> tuple[Ints, Floats]:
    """Find the cell of a grid below each value, and how far into it the value lies."""
    edges = np.array(grid)
    clipped = np.clip(values, edges[0], edges[-1])
    i = np.minimum(np.searchsorted(edges, clipped, side="right") - 1, edges.size - 2)
    return i, (clipped - edges[i]) / (edges[i + 1] - edges[i])


def from_scatter(panels: pd.DataFrame, count: int, *, edges: bool = False, product: bool = True) -> Floats:
    """Estimate the uncertainty from how far depth and velocity lie from the line between their neighbours.

    ``D_i = y_i - [w_i y_(i-1) + (1 - w_i) y_(i+1)]``, ``w_i = (x_(i+1) - x_i)/(x_(i+1) - x_(i-1))``,
    ``s_y^2 = mean(D_i^2 / (2 (1 - w_i + w_i^2)))`` for depth d and velocity v, then
    ``u^2 = sum(b_i^2 (d_i^2 s_v^2 + v_i^2 s_d^2 + s_d^2 s_v^2))``: x position (m), b width of the panel (m).

    Parameters
    ----------
    panels : DataFrame
        By gauging ``g`` and position, as of ``compute.Computed.verticals``: ``channel``, ``edge``, ``position_m``,
        ``effective_depth_m``, ``mean_velocity_m_s`` and ``width_m``.
    count : int
        Number of gaugings.
    edges : bool
        Whether the water's edge serves as a neighbour.
    product : bool
        Whether the last term is kept.

    Returns
    -------
    float array, shape (gaugings,)
        m3/s, k = 1; NaN with fewer than ``FEWEST_TRIPLES`` inner verticals that have neighbours.

    Notes
    -----
    Cohn, Kiang and Mason 2013, J. Hydraul. Eng. 139(5), as remembered with medium confidence. The divisor and the
    use of edges are open; without edges, with the number of triples, is chosen here.
    """
    owner, channel, x = (panels[name].to_numpy() for name in ("g", "channel", "position_m"))
    depth, velocity, width = (panels[name].to_numpy() for name in ("effective_depth_m", "mean_velocity_m_s", "width_m"))
    # verticals with water that are no edge
    inner = (depth > 0) & ~panels["edge"].to_numpy(dtype=bool)
    usable = inner | (edges & (channel > 0))
    mid = Groups.of(owner, channel).neighbours(usable)
    mid = mid[inner[mid]]
    span = x[mid + 1] - x[mid - 1]
    w = np.divide(x[mid + 1] - x[mid], span, out=np.full(mid.size, 0.5), where=span > 0)
    g = owner[mid]
    number = np.bincount(g, minlength=count)
    enough = number >= FEWEST_TRIPLES

    def variance(y: Floats) -> Floats:
        apart = y[mid] - (w * y[mid - 1] + (1 - w) * y[mid + 1])
        squares = np.bincount(g, weights=apart**2 / (2 * (1 - w + w**2)), minlength=count)
        return np.divide(squares, number, out=np.full(count, np.nan), where=enough)

    s_d, s_v = variance(depth)[owner], variance(velocity)[owner]
    both = s_d * s_v if product else 0.0
    terms = width**2 * (depth**2 * s_v + np.nan_to_num(velocity) ** 2 * s_d + both)
    terms = np.where(inner, terms, 0.0)
    return np.sqrt(np.where(enough, np.bincount(owner, weights=np.nan_to_num(terms), minlength=count), np.nan))


def percent(uncertainty: Floats, discharge: Floats, gross: Floats, floor: float) -> Floats:
    """Express an uncertainty in percent of the discharge, where that means anything.

    Parameters
    ----------
    uncertainty, discharge : float array
        m3/s.
    gross : float array
        Sum of the panels' magnitudes, m3/s.
    floor : float
        Magnitude of a discharge below which no percentage is given, m3/s.

    Returns
    -------
    float array
        NaN under the floor, and where upstream and downstream panels nearly cancel (below a fifth of ``gross``).
    """
    size = np.abs(discharge)
    sound = (size > floor) & (size >= 0.2 * gross)
    return np.divide(100 * uncertainty, size, out=np.full(size.size, np.nan), where=sound)
