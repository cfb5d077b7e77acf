"""How an office computes: every choice between practices, with the usual value as its default."""

from __future__ import annotations

from dataclasses import dataclass

EDGE_RULES = ("plain", "power law", "triangular")
"""How the strip next to an edge is computed; handbook table in docs/method.md."""

SOUND_SPEEDS = ("as handed in", "corrected")

GAUGE_HEIGHT_MEANS = ("time-weighted", "discharge-weighted", "mean of both")


@dataclass(frozen=True)
class Choices:
    """Choices between practices.

    Attributes
    ----------
    edge_rule : str
        ``plain``: half the distance to the first vertical, velocity 0 at a sloping edge. ``power law``:
        ``v(x) = v_1 (x/L)^(1/m)`` over the strip of length L next to the edge. ``triangular``: mid-section
        only, ``W_1 = (b_1 + b_2/2)^2 / (2 b_1)`` for the vertical next to a sloping edge.
    edge_exponent : float
        m of the power law next to an edge; 4 rough, 10 smooth, 5 to 7 usual (ISO 748 as remembered).
    wall_distances, wall_ratios : tuple of float
        Velocity near a smooth vertical wall over the velocity one depth away, by distance in depths
        (USGS Water-Supply Paper 2175 p. 82 as remembered).
    coefficient_02, coefficient_05, coefficient_surface : float
        Vertical's mean over the velocity at 0.2, at 0.5 and at the surface of open water. 0.2 and 0.5 as
        remembered from the same paper; 0.86 for a natural channel was read there on p. 170.
    coefficient_ice_06, coefficient_ice_05 : float
        The same under ice, as remembered.
    bed_exponent : float
        n of ``v = v_s (y/D)^(1/n)`` between the lowest point and the bed, and for one point at an unusual depth.
    gauge_height_window_s : float
        How long before the start and after the end a reading of the gauge still serves (common practice,
        no source).
    gauge_height_mean : str
        The mean used for the rating, of ``GAUGE_HEIGHT_MEANS``.
    gauge_height_simple_change_m : float
        Below this change of stage the time-weighted mean is used whatever is chosen, since the means agree
        (0.05 m, as remembered).
    sound_speed : str
        ``as handed in``, or ``corrected``: acoustic velocities are multiplied by the true speed of sound over the one
        the meter used, wherever both are known.
    discharge_floor_m3_s : float
        Magnitude of a discharge below which no percentage of it is given; a limit of the policy.
    """

    edge_rule: str = "plain"
    edge_exponent: float = 6.0
    wall_distances: tuple[float, ...] = (0.0, 0.25, 0.5, 1.0)
    wall_ratios: tuple[float, ...] = (0.65, 0.90, 0.95, 1.00)
    coefficient_02: float = 0.87
    coefficient_05: float = 0.95
    coefficient_surface: float = 0.86
    coefficient_ice_06: float = 0.92
    coefficient_ice_05: float = 0.88
    bed_exponent: float = 6.0
    gauge_height_window_s: float = 1800.0
    gauge_height_mean: str = "time-weighted"
    gauge_height_simple_change_m: float = 0.05
    sound_speed: str = "as handed in"
    discharge_floor_m3_s: float = 0.001
