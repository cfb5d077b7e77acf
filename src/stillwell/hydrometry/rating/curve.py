"""A rating as segments of power laws: stage to discharge and back. Fits nothing and marks nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Curve:
    """``Q = C (h - e)^beta`` segment by segment, from the lowest up.

    ``lower_m`` (m): stage from which each segment holds, rising; the first holds below it too. ``coefficient`` C
    (m3/s per m^beta), ``zero_m`` e (m), ``exponent`` beta (1): float arrays of shape (segments,).
    """

    lower_m: Floats
    coefficient: Floats
    zero_m: Floats
    exponent: Floats

    def segment(self, stage: Floats) -> Ints:
        """Say which segment holds at each stage (m)."""
        return np.maximum(np.searchsorted(self.lower_m, stage, side="right") - 1, 0)

    def discharge(self, stage: Floats) -> Floats:
        """Compute ``Q = C (h - e)^beta`` (m3/s) of stages h (m); 0 at or below e, NaN of a missing stage."""
        at = self.segment(stage)
        head = np.maximum(stage - self.zero_m[at], 0.0)
        return np.asarray(self.coefficient[at] * head ** self.exponent[at])

    def slope(self, stage: Floats) -> Floats:
        """Compute ``dQ/dh = beta Q / (h - e)`` (m2/s) of stages h (m); 0 at or below e."""
        at = self.segment(stage)
        head = stage - self.zero_m[at]
        flows = head > 0
        rate = np.where(np.isnan(stage), np.nan, 0.0)
        return np.divide(self.exponent[at] * self.discharge(stage), head, out=rate, where=flows)

    def stage(self, discharge: Floats) -> Floats:
        """Invert the curve: the stage h (m) of a discharge (m3/s), in a jump by the lower segment; NaN below 0."""
        tops = np.r_[self.discharge(self.lower_m)[1:], np.inf]
        at = np.minimum(np.searchsorted(tops, discharge, side="right"), self.lower_m.size - 1)
        known = discharge >= 0
        part = np.divide(discharge, self.coefficient[at], out=np.full(np.shape(discharge), np.nan), where=known)
        return np.asarray(self.zero_m[at] + part ** (1 / self.exponent[at]))
