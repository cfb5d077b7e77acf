"""Rivers of known discharge and parties that measure them with errors of known size; numpy only, all at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.making import frame, gaugings

PROFILE = 6.0
"""v = v_s (1 - r)^(1/6) in every vertical."""


@dataclass(frozen=True)
class Party:
    """How a party measures: number of verticals, points in each, and the size of its errors."""

    verticals: int
    two_points: bool
    exposure_s: float = 60.0
    depth_error_m: float = 0.008
    position_error_m: float = 0.02
    meter_error: float = 0.01
    turbulence: float = 0.10
    """Standard deviation of single velocities over the mean."""
    integral_s: float = 1.5
    """Time over which velocities are alike."""


@dataclass(frozen=True)
class Rivers:
    """Many sections: width, a bed of bumps over a parabola, a lateral velocity that follows depth."""

    width: np.ndarray
    bumps: np.ndarray
    phases: np.ndarray
    speed: np.ndarray
    depth: np.ndarray

    @classmethod
    def drawn(cls, count: int, seed: int) -> Rivers:
        """Draw some rivers."""
        rng = np.random.default_rng(seed)
        return cls(
            width=rng.uniform(5, 30, count),
            bumps=rng.normal(0, 0.06, (count, 6)),
            phases=rng.uniform(0, 2 * np.pi, (count, 6)),
            speed=rng.uniform(0.2, 1.2, count),
            depth=rng.uniform(0.4, 1.2, count),
        )

    def bed(self, s: np.ndarray) -> np.ndarray:
        """Depth at a fraction s of the width, shape (rivers, positions)."""
        waves = np.arange(1, 7)[None, :, None]
        bumps = (self.bumps[:, :, None] * np.sin(waves * np.pi * s[:, None, :] + self.phases[:, :, None])).sum(axis=1)
        shape = np.clip(4 * s * (1 - s), 0, None) ** 0.6
        return self.depth[:, None] * shape * np.clip(1 + bumps, 0.3, None)

    def velocity(self, s: np.ndarray) -> np.ndarray:
        """Mean velocity in the vertical at a fraction s of the width."""
        return self.speed[:, None] * (self.bed(s) / self.depth[:, None]) ** 0.6

    def discharge(self) -> np.ndarray:
        """Integrate the true discharge over 4,001 positions."""
        s = np.broadcast_to(np.linspace(0, 1, 4001), (self.width.size, 4001))
        return np.trapezoid(self.bed(s) * self.velocity(s), dx=1 / 4000, axis=1) * self.width


def measured(rivers: Rivers, party: Party, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Let a party measure each river once.

    Parameters
    ----------
    rivers : Rivers
    party : Party
    seed : int

    Returns
    -------
    DataFrame, DataFrame
        Gaugings and points as handed in.
    """
    rng = np.random.default_rng(seed)
    count, n = rivers.width.size, party.verticals
    s = np.broadcast_to(np.linspace(0, 1, n + 2)[1:-1], (count, n)).copy()
    depth = np.maximum(rivers.bed(s) + rng.normal(0, party.depth_error_m, (count, n)), 0.02)
    surface = rivers.velocity(s) * (PROFILE + 1) / PROFILE
    fractions = (0.2, 0.8) if party.two_points else (0.6,)
    meter = 1 + rng.normal(0, party.meter_error, count)[:, None]
    noise = party.turbulence * np.sqrt(2 * party.integral_s / party.exposure_s)
    readings = [surface * (1 - r) ** (1 / PROFILE) * meter * (1 + rng.normal(0, noise, (count, n))) for r in fractions]
    x = s * rivers.width[:, None] + rng.normal(0, party.position_error_m, (count, n))
    x = np.sort(x, axis=1)
    edges = [np.zeros((count, 1)), x, rivers.width[:, None]]
    return _headers(count), _points(np.hstack(edges), depth, readings, fractions, party)


def _headers(count: int) -> pd.DataFrame:
    heads = gaugings(1).iloc[np.zeros(count, dtype=int)].reset_index(drop=True)
    return heads.assign(gauging=pd.Series([f"G{i}" for i in range(count)], dtype="str"))


def _points(
    x: np.ndarray, depth: np.ndarray, readings: list[np.ndarray], fractions: tuple[float, ...], party: Party
) -> pd.DataFrame:
    count, n = depth.shape
    per = np.r_[1, np.full(n, len(fractions)), 1]
    vertical = np.tile(np.repeat(np.arange(1, n + 3), per), count)
    g = np.repeat(np.arange(count), per.sum())
    edge = np.isin(vertical, (1, n + 2))
    empty = np.full((count, 1), np.nan)
    velocity = np.hstack([empty, np.stack(readings, axis=2).reshape(count, -1), empty]).reshape(-1)
    fraction = np.tile(np.r_[np.nan, np.tile(fractions, n), np.nan], count)
    zero = np.zeros((count, 1))
    base = frame("points", [{}]).iloc[np.zeros(g.size, dtype=int)].reset_index(drop=True)
    return base.assign(
        g=g,
        vertical=pd.array(vertical, dtype="Int64"),
        position_m=np.repeat(x, per, axis=1).reshape(-1),
        depth_m=np.repeat(np.hstack([zero, depth, zero]), per, axis=1).reshape(-1),
        kind=pd.Series(np.where(edge, "edge", "open"), dtype="str"),
        relative_depth=fraction,
        velocity_m_s=velocity,
        exposure_s=np.where(edge, np.nan, party.exposure_s),
        repeat=pd.array(np.ones(g.size, dtype="int64"), dtype="Int64"),
    )
