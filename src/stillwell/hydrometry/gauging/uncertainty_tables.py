"""Tables of component uncertainties, standard (68 %), in percent. All AS REMEMBERED from ISO 748:2007, unverified.

None of these values could be read in the standard while this was written; single cells may be wrong, their direction
(falling with time, velocity and number) is sure. What is not remembered is marked as chosen.
"""

from __future__ import annotations

VERTICALS = ((5, 10, 15, 20, 25, 30, 35, 40, 45), (7.5, 4.5, 3.0, 2.5, 2.0, 1.5, 1.0, 1.0, 1.0))
"""Number of verticals; uncertainty of the limited number of them."""

POINTS = ((0, 1, 2, 5, 6), (15.0, 7.5, 3.5, 2.5, 0.5))
"""Number of points in a vertical; 6 stands for a velocity curve. Three and four points lie between (chosen); a vertical
whose velocity was interpolated gets twice the value of one point (chosen)."""

CALIBRATION = ((0.03, 0.10, 0.15, 0.25, 0.5), (10.0, 2.5, 1.25, 1.0, 0.5))
"""Velocity (m/s); meter with its own calibration. Every meter is taken to have one: no column says otherwise."""

EXPOSURE_MINUTES = (0.5, 1.0, 2.0, 3.0)
EXPOSURE_VELOCITIES = (0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 1.0)
EXPOSURE_UPPER = (
    (25, 20, 15, 10), (14, 11, 8, 7), (8, 6, 5, 4), (5, 4, 3, 3), (4, 3, 3, 3), (4, 3, 3, 2), (4, 3, 3, 2),
)  # fmt: skip
"""By velocity and minutes; points at 0.2, 0.4 and 0.6 of the depth."""
EXPOSURE_LOWER = (
    (40, 30, 25, 20), (17, 14, 10, 8), (9, 7, 5, 4), (5, 4, 3, 3), (4, 3, 3, 3), (4, 3, 3, 2), (4, 3, 3, 2),
)  # fmt: skip
"""The same; points at 0.8 and 0.9."""

WIDTH = 0.5
DEPTH = 0.65
"""By rod in 0.4 to 6 m of water; the least sure of all."""
SYSTEMATIC = 1.0
