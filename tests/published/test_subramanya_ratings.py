"""Rating problems of a textbook: Subramanya, Engineering Hydrology, ch. 4.

R1: data and r REMEMBERED, everything else DERIVED (coefficients once recalled as 1.38 and 206 did not match and are
not used). R1t: DERIVED from the formulas of ISO 1100-2 and IS 2914 as REMEMBERED. R2, R3, R5: statements READ
(problems 4.11, 4.14, 4.13), answers DERIVED: none was seen in print.
"""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import residual_tests
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.shape import FitChoices
from stillwell.hydrometry.rating.zero_flow import from_three_points

R1_H = np.array([7.65, 7.70, 7.77, 7.80, 7.90, 7.91, 8.08, 8.48, 8.98, 9.30, 9.50, 10.50, 11.10, 11.70])
R1_Q = np.array([15, 30, 57, 39, 60, 100, 150, 170, 400, 600, 800, 1500, 2000, 2400.0])
R2_H = np.array([35.91, 36.9, 37.92, 44.4, 45.4, 46.43, 39.07, 41.0, 43.53, 48.02, 49.05, 49.55, 49.68])
R2_Q = np.array([89, 230, 360, 3800, 4560, 5305, 469, 798, 2800, 5900, 6800, 6900, 6950.0])
R3_H = np.array([21.95, 22.45, 22.8, 23.0, 23.4, 23.75, 23.65, 24.05, 24.55, 24.85, 25.4, 25.15, 25.55, 25.9])
R3_Q = np.array([100, 220, 295, 400, 490, 500, 640, 780, 1010, 1220, 1300, 1420, 1550, 1760.0])
R5 = dict(zip([100, 200, 300, 400, 600, 800, 1000], [20.8, 21.42, 21.95, 22.37, 23.0, 23.52, 23.9], strict=True))
"""Of problem 4.13; 22.37 is printed 23.37, which would not rise."""


def plain(zero):
    """One segment, stage of zero flow given, ordinary least squares."""
    return FitChoices(segments=1, zero_stage_m=(zero,), loss="none")


def test_fourteen_gaugings_of_the_worked_example():
    """R1: r 0.9913 as remembered; beta, C, Q(10.05), S_e and the range of S_mr as derived."""
    got = fit(R1_H, R1_Q, choices=plain(7.5))
    band = got.band(R1_H)

    assert np.corrcoef(np.log(R1_H - 7.5), np.log(R1_Q))[0, 1] == pytest.approx(0.9913, abs=5e-5)
    assert got.curve.exponent[0] == pytest.approx(1.45579, abs=5e-5)
    assert got.curve.coefficient[0] == pytest.approx(275.522, abs=0.005)
    assert got.curve.discharge(np.array([10.05]))[0] == pytest.approx(1076.44, abs=0.5)
    assert got.standard_error == pytest.approx(0.22768, abs=5e-6)
    assert (got.visits, got.parameters, got.freedom) == (14, 2, 12)
    assert band.mean_relation.min() == pytest.approx(0.0618, abs=5e-4)
    assert band.mean_relation.max() == pytest.approx(0.1124, abs=5e-5)
    np.testing.assert_allclose(np.exp(2.1788128 * band.mean_relation), band.upper / band.discharge, rtol=1e-6)
    one = np.hypot(0.22768013634, band.mean_relation)
    np.testing.assert_allclose(np.exp(-2.1788128 * one), band.gauging_lower / band.discharge, rtol=1e-6)


def test_signs_runs_and_bias_of_the_worked_example():
    """R1t: 8 of 14 above, 5 changes of sign; t 0.267, 0.555, 0.379 against 1.96, 1.96, 2.160: all pass."""
    got = fit(R1_H, R1_Q, choices=plain(7.5)).gaugings
    departs = [
        -13.827,
        13.375,
        39.166,
        -18.321,
        -17.337,
        32.907,
        20.319,
        -36.457,
        -17.957,
        -7.451,
        5.852,
        9.989,
        12.465,
        7.830,
    ]
    np.testing.assert_allclose(departs, got["departure_pct"], atol=1e-3)
    signs, runs, bias = residual_tests.verdicts(R1_H, got["departure_pct"].to_numpy())
    assert pytest.approx([signs.statistic, runs.statistic, bias.statistic], abs=1e-6) == [
        0.2672612,
        0.5547002,
        0.3792010,
    ]
    assert pytest.approx([signs.critical, runs.critical, bias.critical], abs=1e-6) == [1.959964, 1.959964, 2.160369]
    assert all(verdict.passed for verdict in (signs, runs, bias))


def test_thirteen_gaugings_of_problem_411():
    """R2: beta 1.69591, C 70.8405, Q(42.50) 2159.3, Q(48.50) 5850.9 and S_e 0.29180."""
    got = fit(R2_H, R2_Q, choices=plain(35.0))
    assert got.curve.exponent[0] == pytest.approx(1.695910301807, rel=1e-9)
    assert got.curve.coefficient[0] == pytest.approx(70.84050213654, rel=1e-9)
    np.testing.assert_allclose([2159.27045409, 5850.94901094], got.curve.discharge(np.array([42.5, 48.5])), rtol=1e-9)
    assert got.standard_error == pytest.approx(0.291803169560, rel=1e-9)


def test_stage_on_discharge_is_another_line():
    """R3: regressing stage on discharge gives 26.842 m for 2600 m3/s; the inverse of ours, of Q on h, does not."""
    inverse = fit(R3_Q, R3_H - 20.5, choices=plain(0.0)).curve
    assert inverse.exponent[0] == pytest.approx(0.4647816634056, rel=1e-9)
    assert inverse.coefficient[0] == pytest.approx(0.1640537126838, rel=1e-9)
    stage = 20.5 + inverse.discharge(np.array([2600.0]))[0]
    assert stage == pytest.approx(26.841661493724, rel=1e-9)
    ours = fit(R3_H, R3_Q, choices=plain(20.5)).curve.stage(np.array([2600.0]))[0]
    assert 0.005 < abs(ours - stage) < 0.2


def test_three_points_may_say_little():
    """R5: two triplets of one curve give stages of zero flow 2.7 m apart, and each says how shaky it is."""
    low, moves_low = from_three_points(R5[100], R5[200], R5[400])
    high, moves_high = from_three_points(R5[200], R5[400], R5[800])
    assert low == pytest.approx(19.63515151515, abs=1e-9)
    assert high == pytest.approx(16.9075, abs=1e-9)
    assert moves_low > 10
    assert moves_high > 50


def test_three_points_on_a_line_say_nothing():
    """No power law with a zero below passes through points that rise evenly or ever less."""
    with pytest.raises(RatingError, match="no power law"):
        from_three_points(1.0, 2.0, 3.0)
    with pytest.raises(RatingError, match="rise expected"):
        from_three_points(1.0, 3.0, 2.0)
