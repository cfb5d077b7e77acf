"""Four invented rivers of known discharge: bed, rating, hydrograph, velocities. Knows no party and writes nothing.

Everything here is invented: no bed, rating, flood or place exists.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SEED = 20241001
SEASON = datetime(2024, 10, 1, tzinfo=UTC)
"""Start of the water year; the hydrograph counts days from here."""
BED_EXPONENT = 6.0
"""n of the profile ``v = v_s (1 - r)^(1/n)``."""


@dataclass(frozen=True)
class River:
    """An invented river at its gauging section."""

    code: str
    name: str
    river: str
    latitude: float
    longitude: float
    catchment_km2: float
    bed_position: tuple[float, ...]
    """Knots of the bed, m from the left end of the tag line."""
    bed_height: tuple[float, ...]
    """Height of the bed at the knots above the gauge's zero, m."""
    walls: bool
    """Whether the first and last knot are vertical walls."""
    rating: tuple[float, float, float]
    """C, e, b of ``Q = C (h - e)^b``; h above the gauge's zero in m, Q in m3/s."""
    skew: float
    """How much faster the right side runs than the left."""
    monthly_stage: tuple[float, ...]
    """Stage without rain in the middle of each month from October, m."""
    flood_rise: float
    """Typical rise of a flood, m."""
    last_flood_day: float
    number: int

    @property
    def span(self) -> float:
        """Length of the tag line, m."""
        return self.bed_position[-1] + self.bed_position[0]

    def bed(self, x: Floats) -> Floats:
        """Height of the bed above the gauge's zero: knots and small cobbles of our own, always the same."""
        rng = np.random.default_rng([SEED, 7, self.number])
        phase, amplitude = rng.uniform(0, 2 * np.pi, 4), 0.012 * rng.uniform(0.4, 1.0, 4)
        waves = np.array([1.9, 3.1, 4.7, 6.3])
        cobbles = (amplitude * np.sin(np.multiply.outer(x, waves) + phase)).sum(axis=-1)
        return np.interp(x, self.bed_position, self.bed_height) + cobbles

    def depth(self, x: Floats, stage: float) -> Floats:
        """Depth of water at positions x, m; 0 on dry ground."""
        return np.maximum(stage - self.bed(x), 0.0)

    def discharge(self, stage: Floats | float) -> Floats:
        """Return the true discharge at a stage, ``Q = C (h - e)^b``, m3/s; 0 below e."""
        c, e, b = self.rating
        return c * np.maximum(np.asarray(stage, dtype=np.float64) - e, 0.0) ** b

    def stage(self, moment: datetime) -> float:
        """Return the true stage at an instant, m: the season without rain and the floods upon it."""
        day = (moment - SEASON).total_seconds() / 86_400
        dry = float(np.interp(day, 15.2 + 30.4 * np.arange(12), self.monthly_stage))
        begins, rise = self._floods()
        since = day - begins
        up = np.clip(since / 0.2, 0.0, 1.0)
        fall = np.exp(-np.maximum(since - 0.2, 0.0) / 2.5)
        return dry + float((rise * up * fall).sum())

    def _floods(self) -> tuple[Floats, Floats]:
        """Day on which each flood begins, always before noon by the local clock, and its rise."""
        rng = np.random.default_rng([SEED, 11, self.number])
        begins = np.floor(np.sort(rng.uniform(5, self.last_flood_day, 14))) + 0.55
        return begins, self.flood_rise * rng.uniform(0.25, 1.3, 14)

    def rising(self, number: int) -> float:
        """Day on which a flood begins, for a party that is there just then."""
        return float(self._floods()[0][number])

    def water(self, stage: float) -> list[tuple[float, float]]:
        """Stretches of water across the section, each from its left to its right edge, m."""
        x = np.linspace(self.bed_position[0], self.bed_position[-1], 6001)
        wet = stage > self.bed(x)
        change = np.flatnonzero(wet[1:] != wet[:-1]) + 1
        bounds = np.r_[0, change, x.size]
        pieces = [(a, b) for a, b in pairwise(bounds) if wet[a]]
        return [(float(x[a]), float(x[min(b, x.size - 1)])) for a, b in pieces if x[b - 1] - x[a] > 0.5]

    def mean_velocity(self, x: Floats, moment: datetime) -> Floats:
        """Mean velocity over the depth at positions x, m/s, scaled so that the section carries the true discharge."""
        stage = self.stage(moment)
        fine = np.linspace(self.bed_position[0], self.bed_position[-1], 6001)
        carried = np.trapezoid(self._shape(fine, stage) * self.depth(fine, stage), fine)
        return self._shape(x, stage) * float(self.discharge(stage)) / carried

    def _shape(self, x: Floats, stage: float) -> Floats:
        """Lateral distribution ``d^0.6``, leaning to one side, slower beside a wall."""
        depth = self.depth(x, stage)
        middle = 0.5 * self.span
        shape = depth**0.6 * (1 + self.skew * (x - middle) / middle)
        if self.walls:
            near = np.minimum(x - self.bed_position[0], self.bed_position[-1] - x)
            shape = shape * (1 - 0.35 * np.exp(-4 * near / np.maximum(depth, 0.05)))
        return shape


def profile(relative_depth: float, odd: float = 0.0) -> float:
    """Velocity at a fraction of the depth over the vertical's mean: ``(n+1)/n (1-r)^(1/n)``.

    ``odd`` slows the upper half and quickens the lower, as behind a boulder, without changing the mean.
    """
    r = min(relative_depth, 0.97)
    return (BED_EXPONENT + 1) / BED_EXPONENT * (1 - r) ** (1 / BED_EXPONENT) + odd * (r - 0.5)


CREEK = River(
    code="INV-KES",
    name="Kessel Beck at Old Ford (invented)",
    river="Kessel Beck (invented)",
    latitude=47.312,
    longitude=-29.843,
    catchment_km2=38.0,
    bed_position=(0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 9.5, 10.2, 11.5),
    bed_height=(1.40, 0.55, 0.12, -0.10, -0.18, -0.05, 0.25, 0.70, 1.50),
    walls=False,
    rating=(12.0, 0.12, 1.9),
    skew=0.20,
    monthly_stage=(0.30, 0.36, 0.42, 0.46, 0.48, 0.46, 0.42, 0.36, 0.28, 0.20, 0.15, 0.09),
    flood_rise=0.35,
    last_flood_day=270.0,
    number=1,
)
LOWLAND = River(
    code="INV-ORM",
    name="Orm at Sallow Eyot (invented)",
    river="Orm (invented)",
    latitude=47.205,
    longitude=-29.601,
    catchment_km2=412.0,
    bed_position=(0.0, 1.5, 3.0, 6.0, 9.0, 12.0, 13.5, 16.0, 17.5, 20.0, 23.0, 25.0, 26.5, 28.0),
    bed_height=(2.50, 1.20, 0.20, -0.35, -0.30, 0.20, 1.35, 1.45, 0.30, -0.20, -0.05, 0.60, 1.60, 2.60),
    walls=False,
    rating=(7.2, -0.05, 1.7),
    skew=-0.15,
    monthly_stage=(0.55, 0.66, 0.80, 0.90, 0.95, 0.90, 0.80, 0.70, 0.58, 0.50, 0.44, 0.46),
    flood_rise=0.40,
    last_flood_day=330.0,
    number=2,
)
MILL = River(
    code="INV-MIL",
    name="Fuller's Race below Upper Mill (invented)",
    river="Fuller's Race (invented)",
    latitude=47.288,
    longitude=-29.790,
    catchment_km2=61.0,
    bed_position=(0.5, 2.0, 4.0, 5.5),
    bed_height=(-0.05, -0.12, -0.10, -0.04),
    walls=True,
    rating=(4.5, -0.02, 1.6),
    skew=0.05,
    monthly_stage=(0.45, 0.50, 0.56, 0.60, 0.62, 0.60, 0.55, 0.50, 0.44, 0.40, 0.36, 0.38),
    flood_rise=0.10,
    last_flood_day=330.0,
    number=3,
)
WINTER = River(
    code="INV-WIN",
    name="Winnold Water at Stone Bridge (invented)",
    river="Winnold Water (invented)",
    latitude=47.466,
    longitude=-29.955,
    catchment_km2=187.0,
    bed_position=(0.0, 1.5, 2.5, 5.0, 9.0, 12.0, 15.0, 16.5, 18.0),
    bed_height=(2.00, 0.90, 0.35, -0.05, -0.20, 0.05, 0.30, 0.80, 1.90),
    walls=False,
    rating=(8.4, 0.00, 1.75),
    skew=0.10,
    monthly_stage=(0.50, 0.56, 0.60, 0.58, 0.56, 0.66, 0.78, 0.74, 0.60, 0.48, 0.42, 0.44),
    flood_rise=0.30,
    last_flood_day=330.0,
    number=4,
)
RIVERS = {river.code: river for river in (CREEK, LOWLAND, MILL, WINTER)}
