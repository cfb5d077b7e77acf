"""Stage of zero flow from three points of a curve, or from the lowest point of the control."""

from __future__ import annotations

import numpy as np

from stillwell.errors import RatingError


def from_three_points(low_m: float, middle_m: float, high_m: float) -> tuple[float, float]:
    """Compute ``e = (h1 h3 - h2^2)/(h1 + h3 - 2 h2)`` from stages of discharges in geometric progression.

    Exact where the three lie on one power law and ``Q2^2 = Q1 Q3``; WSP 2175 as remembered, the method as read.

    Returns
    -------
    float
        e, m.
    float
        How many metres e moves for a metre of error in the middle stage, ``2 (h2 - e)/(h1 + h3 - 2 h2)``: ten or more
        and the three points are a hint only.

    Raises
    ------
    RatingError
        The stages do not rise, or e does not lie below the lowest of them.
    """
    if not low_m < middle_m < high_m:
        msg = (
            f"three stages that rise expected, found {low_m:.3f}, {middle_m:.3f}, {high_m:.3f} m; no stage of"
            f" zero flow is given"
        )
        raise RatingError(msg)
    bend = low_m + high_m - 2 * middle_m
    if bend <= 0:
        msg = (
            f"the upper step of stage larger than the lower expected, found {high_m - middle_m:.3f} after"
            f" {middle_m - low_m:.3f} m: no power law with a stage of zero flow below them passes through the three"
        )
        raise RatingError(msg)
    zero = (low_m * high_m - middle_m**2) / bend
    return zero, 2 * (middle_m - zero) / bend


def between(low_q: float, high_q: float) -> float:
    """Give the middle discharge of the progression, ``sqrt(Q1 Q3)`` (m3/s)."""
    return float(np.sqrt(low_q * high_q))


def from_control_depth(gauge_height_m: float, depth_m: float, velocity_head_m: float = 0.0) -> float:
    """Compute ``e = h - d + a``: stage less the depth over the lowest point of the control (m), with an allowance a."""
    return gauge_height_m - depth_m + velocity_head_m
