"""Weir of a reservoir inflow 2019 to 2021: pressure against gauge height, three published lines, V-notch formula.

Carey lab, Virginia Tech, EDI 202.7, CC BY 4.0. READ: data, lines and the formula ``Q = 2.391 H^2.5``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.spans_in_force import Mark, RatingInForce, Table
from stillwell.hydrometry.record.discharge import discharge_record
from stillwell.hydrometry.stage.convert import PSI_PA, gravity, stage_from_pressure, water_density

DATA = Path(__file__).parents[1] / "data" / "weir_vt" / "weir_pressure_gauge_height_FCR_VT_2019_2021.csv"

LINES = {
    "until 6 July 2020": (70.640, -5.6633, slice("2019-06-10", "2020-07-06 23:59")),
    "from 24 August to 2 September 2020, before the move": (58.140, 2.9302, slice("2020-08-24", "2020-09-02 13:30")),
    "after the move": (80.534, 6.1945, slice("2020-09-02 14:00", None)),
}
NOTCH = RatingInForce(
    0, Curve(np.array([0.0]), np.array([2.391]), np.array([0.0]), np.array([2.5])), 0.05, 0.275,
    Table(np.array([0.0, 0.3]), np.array([0.03, 0.03])),
)  # fmt: skip


@pytest.fixture(scope="module")
def pairs():
    """Read all 36 pairs."""
    table = pd.read_csv(DATA)
    return table.set_index(pd.to_datetime(table["DateTime"], format="%m/%d/%Y %H:%M")).sort_index()


@pytest.mark.parametrize("name", LINES)
def test_published_lines_come_back_from_every_reading(pairs, name):
    """Least squares over every reading of a stretch gives the published slope and intercept to their digits."""
    slope, intercept, span = LINES[name]
    part = pairs.loc[span].dropna(subset=["GageHeight_cm"])
    found = np.polyfit(part["VT_Pressure_psia"], part["GageHeight_cm"], 1)
    assert slope == pytest.approx(found[0], abs=0.0006)
    assert intercept == pytest.approx(found[1], abs=0.00006)


def test_a_published_line_is_water_pressure_within_its_scatter(pairs):
    """One psi is 70.3 cm of water at 10 degrees; the first published slope, 70.640 cm, is that within 0.5 %."""
    one = stage_from_pressure(np.array([0.0, PSI_PA]), 0.0, float(water_density(10.0)), gravity(37.3))
    assert 100 * (one[1] - one[0]) == pytest.approx(70.64, rel=0.005)


def test_v_notch_gives_the_formula_of_every_reading(pairs):
    """Rating the gauge heights gives ``2.391 H^2.5``, and heights past 27.5 cm, where it overtops, are marked."""
    known = pairs.dropna(subset=["GageHeight_cm"])
    height = known["GageHeight_cm"].to_numpy() / 100
    record = discharge_record(known.index.as_unit("us").astype("int64").to_numpy(), height, [NOTCH])
    np.testing.assert_allclose([2.391 * h**2.5 for h in height.tolist()], record.discharge_m3_s, rtol=1e-12)
    np.testing.assert_array_equal(height > 0.275, (record.marks & Mark.ABOVE_GAUGED) > 0)
    assert (height > 0.275).sum() == 3
