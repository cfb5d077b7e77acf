"""Tanana River, 10 August 2010: one day of 15-minute stage (ft) and discharge (ft3/s) published together.

US Geological Survey, public domain; carried in MHKiT-Python (BSD 3-Clause). READ.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.spans_in_force import RatingInForce, Table
from stillwell.hydrometry.record.daily import daily_values
from stillwell.hydrometry.record.discharge import discharge_record

DATA = Path(__file__).parents[1] / "data" / "tanana"
FOOT = 0.3048


@pytest.fixture(scope="module")
def day():
    """Read times (us), stage (ft) and discharge (ft3/s)."""
    names = ("gage_height", "discharge")
    stage, flow = (pd.read_csv(DATA / f"tanana_{n}_20100810_instantaneous.csv", index_col=0) for n in names)
    assert (stage.index == flow.index).all()
    time = pd.to_datetime(stage.index, utc=True).as_unit("us").astype("int64").to_numpy()
    return time, stage.iloc[:, 0].to_numpy(dtype=float), flow.iloc[:, 0].to_numpy(dtype=float)


def test_feet_come_back_after_metres(day):
    """A power law in feet turned to metres by ``C_si = C_ft 0.3048^(3 - beta)`` rates alike in both units."""
    time, feet, flow = day
    beta, log_c = np.polyfit(np.log(feet), np.log(flow), 1)
    imperial = np.exp(log_c) * feet**beta
    curve = Curve(np.array([0.0]), np.array([np.exp(log_c) * FOOT ** (3 - beta)]), np.array([0.0]), np.array([beta]))
    rating = RatingInForce(int(time[0]), curve, np.nan, np.nan, Table(np.array([1.0]), np.array([0.0])))
    record = discharge_record(time, feet * FOOT, [rating])
    np.testing.assert_allclose(imperial, record.discharge_m3_s / FOOT**3, rtol=1e-12)
    assert np.abs(imperial - flow).max() <= 0.005 * flow.min()
    np.testing.assert_array_equal(np.round(feet, 2), np.round(record.stage_m / FOOT, 2))


def test_daily_mean_of_published_discharge_is_the_integral(day):
    """The mean over the known 23 3/4 hours is the trapezoid of the published values, in both units."""
    time, _, flow = day
    metric = flow * FOOT**3
    daily = daily_values(time, metric, 0.05 * metric, np.zeros(time.size, dtype=np.uint8), -8 * 3600)
    assert time.size == 96
    row = daily.iloc[0]
    trapezoid = np.trapezoid(flow, dx=900.0) / (95 * 900)
    assert trapezoid == pytest.approx(row["mean_m3_s"] / FOOT**3, rel=1e-12)
    assert row["share_known"] == pytest.approx(95 / 96)
    assert row["uncertainty_m3_s"] == pytest.approx(0.05 * row["mean_m3_s"], rel=1e-12)
