"""Combination of ISO 748:2007 (tables and formula REMEMBERED) and interpolated variance (equations REMEMBERED).

Expected values were computed apart from this program (DERIVED); no published worked example could be read.
"""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.hydrometry.gauging import uncertainty_tables as tables
from stillwell.hydrometry.gauging.uncertainty import from_scatter, from_tables
from tests.making import panel_rows
from tests.published.test_chow_1988 import FOOT, D, V, X


def _equal_panels(m, n, velocity=2.0, exposure=60.0, deep=False):
    one = np.ones(m)
    return panel_rows(
        g=np.zeros(m, dtype=int), position=np.arange(m, dtype=float), depth=one, velocity=one * velocity, width=one,
        discharge_m3_s=one, points=np.full(m, n), exposure_s=one * exposure, deep=np.full(m, deep),
        inner=np.ones(m, dtype=bool), channel=np.ones(m, dtype=int),
    )  # fmt: skip


NUMBER = {5: 7.5, 10: 4.5, 15: 3.0, 20: 2.5, 25: 2.0, 30: 1.5, 35: 1.0, 40: 1.0, 45: 1.0}
"""u_m by number of verticals, percent (k = 1): ISO 748:2007 annex E AS REMEMBERED, unverified."""


def _closed_form(m, n, u_p, u_e, u_c=0.5, u_b=0.5, u_d=0.65, u_s=1.0):
    """Combine percentages (k = 1); width, depth and systematic ones AS REMEMBERED, not read from the code."""
    u_m = NUMBER[m]
    return np.sqrt(u_m**2 + u_s**2 + (u_b**2 + u_d**2 + u_p**2 + (u_c**2 + u_e**2) / n) / m)


@pytest.mark.parametrize(("m", "n", "u_p"), [(20, 2, 3.5), (20, 1, 7.5), (30, 5, 2.5), (10, 1, 7.5)])
def test_equal_panels_give_the_closed_form(m, n, u_p):
    """With equal panels the weighted sum is u_m^2 + u_s^2 + (1/m)(u_b^2 + u_d^2 + u_p^2 + (u_c^2 + u_e^2)/n)."""
    parts = from_tables(_equal_panels(m, n), np.array([m]), 1)
    assert 100 * np.sqrt((parts[:, 0] ** 2).sum()) / m == pytest.approx(_closed_form(m, n, u_p, u_e=3.0))


def test_case_u1():
    """Case U1: m 20, n 2, u_m 2.5, u_s 1, u_b 0.5, u_d 0.5, u_p 3.5, u_c 0.5, u_e 3 gives 2.849 %."""
    assert _closed_form(20, 2, 3.5, 3.0, u_d=0.5) == pytest.approx(2.849, abs=5e-4)


@pytest.mark.parametrize(
    ("m", "u"), [(5, 8.39), (10, 5.28), (15, 3.79), (20, 3.25), (25, 2.76), (30, 2.33), (35, 1.97)]
)
def test_case_u3(m, u):
    """Case U3: one point, other terms as in U1, for 5 to 35 verticals."""
    assert _closed_form(m, 1, 7.5, 3.0, u_d=0.5) == pytest.approx(u, abs=6e-3)


def test_tables_fall_with_time_velocity_and_number():
    """What is sure of remembered tables is their direction."""
    for table in (tables.EXPOSURE_UPPER, tables.EXPOSURE_LOWER):
        assert (np.diff(np.array(table), axis=0) <= 0).all()
        assert (np.diff(np.array(table), axis=1) <= 0).all()
    for _, values in (tables.VERTICALS, tables.POINTS, tables.CALIBRATION):
        assert (np.diff(values) <= 0).all()
    assert (np.array(tables.EXPOSURE_LOWER) >= np.array(tables.EXPOSURE_UPPER)).all()


def test_case_u4():
    """Case U4: the variant with edges as neighbours and the product term, on Chow's section: 127.69 ft3/s."""
    x, d, v = (np.array(column, dtype=float) for column in (X, D, V))
    width = np.r_[(x[1] - x[0]) / 2, (x[2:] - x[:-2]) / 2, (x[-1] - x[-2]) / 2]
    n = x.size
    panels = panel_rows(
        g=np.zeros(n, dtype=int), position=x * FOOT, depth=d * FOOT, velocity=v * FOOT, width=width * FOOT,
        discharge_m3_s=width * d * v * FOOT**3, points=np.ones(n, dtype=int), exposure_s=np.full(n, 60.0),
        deep=np.zeros(n, dtype=bool), inner=np.r_[False, np.ones(n - 2, dtype=bool), False],
        channel=np.ones(n, dtype=int),
    )  # fmt: skip
    assert from_scatter(panels, 1, edges=True)[0] / FOOT**3 == pytest.approx(127.69, abs=5e-3)
