"""A new kind of rating is its own module and one line in the table of kinds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment.rating_checks import rating_findings
from stillwell.hydrometry.rating import kinds
from stillwell.hydrometry.rating.shift import of_gauging
from stillwell.hydrometry.rating.table import table
from stillwell.hydrometry.rating.which_rating_holds import Otherwise, ratings_of
from stillwell.hydrometry.record.discharge import discharge_record
from stillwell.pipeline.committing import office_policy

SINCE = pd.Timestamp("2025-01-01", tz="UTC")


@dataclass(frozen=True)
class Straight:
    """``Q = a (h - e)``, 5 % unsure: a kind that is no power law in segments."""

    a: float
    zero_flow_m: float
    support_m: tuple[float, float] = (0.0, 0.0)

    @property
    def exponent(self):
        """None: no power law."""
        return np.full(1, np.nan)

    def segment(self, stage):
        """Always the one."""
        return np.zeros(stage.shape, dtype=np.int64)

    def discharge(self, stage):
        """The line."""
        return self.a * np.maximum(stage - self.zero_flow_m, 0.0)

    def slope(self, stage):
        """Its slope."""
        return np.where(stage > self.zero_flow_m, self.a, 0.0)

    def stage(self, discharge):
        """The line the other way round."""
        return discharge / self.a + self.zero_flow_m

    def uncertainty(self, stage):
        """5 % everywhere."""
        return np.full(stage.shape, 0.05)

    def rated(self, stage, u_stage):
        """Slope times the uncertainty of stage."""
        return self.discharge(stage), self.slope(stage) * u_stage


def straight_of(segments, covariance):
    """Make one of its row."""
    assert pd.isna(covariance)
    return Straight(float(segments["coefficient"].iloc[0]), float(segments["zero_stage_m"].iloc[0]))


@pytest.fixture
def rated(monkeypatch):
    """Lay out one rating of the new kind, from rows as the archive keeps them."""
    monkeypatch.setattr(kinds, "MAKERS", {**kinds.MAKERS, "straight line": straight_of})
    row = {"site": "S1", "rating": "R1", "valid_from": SINCE, "recorded_at": SINCE, "kind": "straight line"}
    ratings = pd.DataFrame([row | {"gauged_from_m": 0.5, "gauged_to_m": 2.0, "covariance": None}])
    segments = pd.DataFrame([{"rating": "R1", "from_m": 0.2, "coefficient": 3.0, "zero_stage_m": 0.2}])
    shifts = pd.DataFrame(columns=["rating", "from", "stage_m", "shift_m", "uncertainty_m"])
    return ratings_of(ratings, segments, shifts, "S1", Otherwise(0.1, 0.01))[0]


def test_a_record_is_made_by_a_rating_of_a_new_kind(rated):
    """``Q = 3 (h - 0.2)``; u is 5 % of Q and 3 x 0.02 m3/s of stage, in quadrature."""
    start = SINCE.value // 1000
    record = discharge_record(start + np.arange(2), np.array([1.2, 2.2]), [rated.force], 0.02)
    np.testing.assert_allclose(record.discharge_m3_s, [3.0, 6.0])
    np.testing.assert_allclose(record.uncertainty_m3_s, np.hypot([0.15, 0.30], 0.06))


def test_shifts_tables_and_findings_ask_a_rating_of_a_new_kind(rated):
    """4.5 m3/s at 1.2 m stands 0.5 m under the line; exponents are not held against a kind that has none."""
    rating = rated.force.curve
    np.testing.assert_allclose(of_gauging(rating, np.array([1.2]), np.array([4.5])), 0.5)
    rows = table(rating, (0.5, 2.0), (1.0, 1.0), 0.01, standard_error=0.03, freedom=1e9)
    np.testing.assert_allclose(rows[["discharge_m3_s", "mean_relation_pct"]].to_numpy()[0], [2.4, 5.0])
    assert rating_findings(rating, None, (), office_policy()[0]) == ()


def test_a_row_that_names_no_kind_is_of_power_laws():
    """``Q = 4 (h - 0.2)^2`` of a row as the archive keeps it today."""
    columns = {"from_m": [0.2], "to_m": [np.nan], "coefficient": [4.0], "zero_stage_m": [0.2], "exponent": [2.0]}
    rating = kinds.rating_of({"covariance": None}, pd.DataFrame(columns))
    np.testing.assert_allclose(rating.discharge(np.array([0.1, 1.2])), [0.0, 4.0])
