"""Tables of a rating and their marks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.table import MOST_ROWS, table

CURVE = Curve(np.array([0.2, 1.2]), np.array([4.0, 16.0]), np.array([0.2, 0.7]), np.array([2.0, 2.0]))


def test_rows_beyond_the_gaugings_are_marked_and_end_at_the_limit():
    """Gauged from 0.7 m (1 m3/s) to 1.2 m (4): under 1 and over 4 marked, over 8 m3/s missing with its mark."""
    got = table(CURVE, (0.7, 1.2), (0.5, 1.6), 0.1).set_index("stage_m")
    assert got.index.tolist() == [0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6]
    words = ["below gauged range"] * 2 + [""] * 6 + ["above gauged range"] * 2 + ["beyond limit"] * 2
    assert got["mark"].tolist() == words
    np.testing.assert_allclose(CURVE.discharge(np.array([0.7, 1.4])), got.loc[[0.7, 1.4], "discharge_m3_s"])
    assert got.loc[1.5:, "discharge_m3_s"].isna().all()
    assert got.loc[0.8, "difference_m3_s"] == pytest.approx(4 * (0.36 - 0.25))


def test_the_limit_is_the_offices():
    """A policy of three times the highest gauging lets 1.5 m (10.24 m3/s) stand."""
    got = table(CURVE, (0.7, 1.2), (1.5, 1.5), 0.01, beyond=3.0)
    assert got["mark"].tolist() == ["above gauged range"]
    assert got["discharge_m3_s"][0] == pytest.approx(10.24)


def test_any_step_and_rows_on_its_multiples():
    """A step of 3 mm from 0.700 begins at 0.702; limits stand where a covariance is given."""
    variance = np.zeros((6, 6))
    variance[0, 0] = 0.01**2
    known = replace(CURVE, covariance=variance)
    got = table(known, (0.7, 1.2), (0.7, 0.71), 0.003, standard_error=0.03, freedom=1e9)
    np.testing.assert_allclose([0.702, 0.705, 0.708], got["stage_m"])
    np.testing.assert_allclose(1.0, got["mean_relation_pct"])
    np.testing.assert_allclose(np.exp(0.01 * 1.959964), got["upper_m3_s"] / got["discharge_m3_s"], rtol=1e-6)


@pytest.mark.parametrize(
    ("span", "step"),
    [((1.0, 0.5), 0.1), ((0.5, 1.0), 0.0), ((0.0, 10.0), 1e-7), ((0.0, 1.0000005), 1e-6), ((0.0, np.nan), 0.1)],
)
def test_impossible_tables_are_refused(span, step):
    """Upside down, no step, ten million rows, hardly more than a million, no end."""
    with pytest.raises(RatingError, match="step above 0"):
        table(CURVE, (0.7, 1.2), span, step)


def test_a_table_has_a_million_rows_and_not_one_more():
    """Multiples of 1e-6 m from 0 to 0.999999 m are 1,000,000; with 1.000000 m they are one more, and refused."""
    assert MOST_ROWS == 1_000_000
    got = table(CURVE, (0.7, 1.2), (0.0, 0.999999), 1e-6)
    assert len(got) == 1_000_000
    assert got["stage_m"].iloc[-1] == 0.999999
    assert len(table(CURVE, (0.7, 1.2), (0.0000005, 1.0000004), 1e-6)) == 1_000_000
    with pytest.raises(RatingError, match="at most 1000000 rows"):
        table(CURVE, (0.7, 1.2), (0.0, 1.0), 1e-6)


@pytest.mark.parametrize("span", [(0.0, np.inf), (-np.inf, 1.0), (np.inf, np.inf)])
def test_a_span_without_end_is_refused(span):
    """No number of rows is that of a span to infinity."""
    with pytest.raises(RatingError, match="at most 1000000 rows"):
        table(CURVE, (0.7, 1.2), span, 0.1)
