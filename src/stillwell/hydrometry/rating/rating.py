"""What every rating answers, whatever its kind. Makes none; see ``kinds``."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Rating(Protocol):
    """A relation of stage (m) to discharge (m3/s); all that the rest of the code asks of a rating.

    Arrays of stages and discharges have any shape, answers the shape of what was asked; NaN of NaN.
    """

    @property
    def zero_flow_m(self) -> float:
        """Stage at and below which nothing flows, m."""

    @property
    def support_m(self) -> tuple[float, float]:
        """Stages (m) at which its lowest and its highest segment begin; it goes on below and above."""

    @property
    def exponent(self) -> Floats:
        """Exponent of each segment, from the lowest up (1); NaN of a segment that is no power law."""

    def segment(self, stage: Floats) -> Ints:
        """Return which segment holds at each stage, from 0."""

    def discharge(self, stage: Floats) -> Floats:
        """Compute the discharge, 0 at and below zero flow."""

    def slope(self, stage: Floats) -> Floats:
        """Compute ``dQ/dh`` (m2/s), 0 at and below zero flow."""

    def stage(self, discharge: Floats) -> Floats:
        """Compute the stage of a discharge, the inverse; NaN below 0."""

    def uncertainty(self, stage: Floats) -> Floats:
        """Compute the relative standard uncertainty of the mean relation (1); NaN where it is not known."""

    def rated(self, stage: Floats, u_stage: Floats) -> tuple[Floats, Floats]:
        """Compute discharge, and its standard uncertainty (m3/s) from that of stage, ``u_stage`` (m), in one pass."""
