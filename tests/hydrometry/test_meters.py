"""Revolutions through calibrations."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.meter.velocities import calibrated_velocity
from tests.making import frame, gaugings, points

OLD = {"instrument": "M1", "valid_from": "2020-01-01T00:00Z"}
NEW = {"instrument": "M1", "valid_from": "2025-01-01T00:00Z"}


def _velocity(turns, calibrations, started="2025-05-01T10:00Z"):
    row = {"position_m": 1.0, "depth_m": 1.0, "relative_depth": 0.6, "revolutions": turns, "exposure_s": 50.0}
    g = gaugings(instrument="M1", started_at=started)
    return calibrated_velocity(
        points([row]), g["instrument"], g["started_at"], frame("calibrations", calibrations, kept=True)
    )[0]


def test_range_and_day_choose_the_calibration():
    """The newest calibration of the day holds, with the row of its range; where rows meet, the higher one."""
    rows = [
        OLD | {"from_rev_s": 0, "to_rev_s": 10, "slope": 9.0, "intercept": 0.0},
        NEW | {"from_rev_s": 0, "to_rev_s": 1, "slope": 0.5, "intercept": 0.02},
        NEW | {"from_rev_s": 1, "to_rev_s": 10, "slope": 0.6, "intercept": 0.0},
    ]
    assert _velocity(25, rows) == pytest.approx(0.5 * 0.5 + 0.02)
    assert _velocity(50, rows) == pytest.approx(0.6)
    assert _velocity(50, rows, "2024-05-01T10:00Z") == pytest.approx(9.0)


def test_no_calibration_for_day_or_rate_gives_no_velocity():
    """A rate outside the newest calibration is not taken from an older one, and a day before any has none."""
    rows = [
        OLD | {"slope": 9.0, "intercept": 0.0},
        NEW | {"from_rev_s": 0, "to_rev_s": 1, "slope": 0.5, "intercept": 0.0},
    ]
    assert np.isnan(_velocity(100, rows))
    assert np.isnan(_velocity(100, rows, "2019-05-01T10:00Z"))
