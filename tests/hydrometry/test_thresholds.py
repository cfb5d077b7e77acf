"""Both sides of limits, uneven spacing and unlike panels: what equal panels and round numbers would hide."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.gauging.gauge_height import Nodes, discharge_weighted
from stillwell.hydrometry.gauging.uncertainty import from_scatter, from_tables, percent
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s
from stillwell.hydrometry.meter.despike import REACH, _cloud, _largest_near, spikes
from stillwell.hydrometry.meter.velocities import cosines
from stillwell.hydrometry.rating.gaugings import precision
from stillwell.hydrometry.stage.check_values import spikes as off_series
from stillwell.hydrometry.stage.corrections import propose_corrections, staff_against_sensor
from stillwell.schemas.words import COMPONENTS
from tests.making import computed, one_point_section, panel_rows

MINUTES = (0.5, 1.0, 2.0, 3.0)
AT_UPPER = {
    0.05: (25, 20, 15, 10), 0.10: (14, 11, 8, 7), 0.20: (8, 6, 5, 4), 0.30: (5, 4, 3, 3),
    0.40: (4, 3, 3, 3), 0.50: (4, 3, 3, 2), 1.0: (4, 3, 3, 2),
}  # fmt: skip
AT_LOWER = {
    0.05: (40, 30, 25, 20), 0.10: (17, 14, 10, 8), 0.20: (9, 7, 5, 4), 0.30: (5, 4, 3, 3),
    0.40: (4, 3, 3, 3), 0.50: (4, 3, 3, 2), 1.0: (4, 3, 3, 2),
}  # fmt: skip
"""Exposure, percent, by velocity (m/s) and minutes: ISO 748:2007 annex E AS REMEMBERED, unverified. Upper: points at
0.2, 0.4 and 0.6 of the depth; lower: at 0.8 and 0.9."""


def _panels(g, x, d, v, *, inner):
    x, d, v = (np.asarray(values, dtype=float) for values in (x, d, v))
    n = x.size
    width = np.gradient(x)
    return panel_rows(
        g=np.asarray(g),
        position=x,
        depth=d,
        velocity=v,
        width=width,
        discharge_m3_s=width * d * v,
        points=np.ones(n, dtype=int),
        exposure_s=np.full(n, 60.0),
        deep=np.zeros(n, dtype=bool),
        inner=np.asarray(inner),
        channel=np.ones(n, dtype=int),
    )


def _exposure(velocity, minutes, deep, points=1):
    """Exposure's share of one panel of unit discharge, percent."""
    panels = panel_rows(
        g=np.zeros(1, dtype=int), position=np.zeros(1), depth=np.ones(1), velocity=np.array([velocity]),
        width=np.ones(1), discharge_m3_s=np.ones(1), points=np.array([points]), exposure_s=np.array([60.0 * minutes]),
        deep=np.array([deep]), inner=np.ones(1, dtype=bool), channel=np.ones(1, dtype=int),
    )  # fmt: skip
    return 100 * from_tables(panels, np.array([20]), 1)[COMPONENTS.index("exposure"), 0]


@pytest.mark.parametrize(("deep", "table"), [(False, AT_UPPER), (True, AT_LOWER)], ids=["upper", "lower"])
def test_exposure_is_that_of_the_remembered_table(deep, table):
    """Every cell of the table for its own depth; and between four cells the bilinear mean."""
    for velocity, row in table.items():
        assert [_exposure(velocity, minutes, deep) for minutes in MINUTES] == pytest.approx(row)
    corners = [table[v][j] for v in (0.05, 0.10) for j in (1, 2)]
    quarter = 0.25 * (0.75 * corners[0] + 0.25 * corners[1]) + 0.75 * (0.75 * corners[2] + 0.25 * corners[3])
    assert _exposure(0.0875, 1.25, deep) == pytest.approx(quarter)


@pytest.mark.parametrize(
    ("velocity", "minutes", "expected"),
    [(0.01, 0.1, 40.0), (5.0, 60.0, 2.0), (-0.05, 0.5, 40.0), (0.05, np.nan, 40 - 10 * (40 / 60 - 0.5) / 0.5)],
    ids=["slow and short", "fast and long", "reversed", "no exposure: 40 s"],
)
def test_exposure_is_held_at_the_ends_of_the_table(velocity, minutes, expected):
    """Beyond the table its last cell; reversed flow by its speed; where no exposure was noted, 40 s."""
    assert _exposure(velocity, minutes, True) == pytest.approx(expected)
    assert _exposure(velocity, minutes, True, points=4) == pytest.approx(expected / 2)


REMEMBERED = {
    "meter calibration": {
        0.01: 10,
        0.03: 10,
        0.10: 2.5,
        0.125: 1.875,
        0.15: 1.25,
        0.25: 1,
        0.375: 0.75,
        0.5: 0.5,
        9: 0.5,
    },
    "points in the vertical": {0: 15, 1: 7.5, 2: 3.5, 3: 3.5 - 1 / 3, 5: 2.5, 6: 0.5, 9: 0.5},
    "number of verticals": {2: 7.5, 5: 7.5, 10: 4.5, 15: 3, 20: 2.5, 25: 2, 30: 1.5, 35: 1, 45: 1, 60: 1},
}
"""Percent, by velocity (m/s), points and verticals: ISO 748:2007 annex E AS REMEMBERED, unverified; lines between."""


@pytest.mark.parametrize("component", sorted(REMEMBERED))
def test_other_components_are_those_of_the_remembered_tables(component):
    """Every node of each table, its ends beyond, and lines between."""
    assert len(REMEMBERED[component]) > 2
    for at, expected in REMEMBERED[component].items():
        velocity, points, verticals = {"me": (at, 1, 20), "po": (1.0, at, 20), "nu": (1.0, 1, at)}[component[:2]]
        panels = panel_rows(
            g=np.zeros(1, dtype=int), position=np.zeros(1), depth=np.ones(1), velocity=np.array([velocity]),
            width=np.ones(1), discharge_m3_s=np.ones(1), points=np.array([points]), exposure_s=np.full(1, 60.0),
            deep=np.zeros(1, dtype=bool), inner=np.ones(1, dtype=bool), channel=np.ones(1, dtype=int),
        )  # fmt: skip
        found = from_tables(panels, np.array([verticals]), 1)[COMPONENTS.index(component), 0]
        assert 100 * found == pytest.approx(expected), at


def _by_hand(x, d, v, inner):
    """Interpolated variance of one channel with plain loops: equations of Cohn, Kiang and Mason 2013 as remembered."""
    sums = {"d": [], "v": []}
    for i in range(1, len(x) - 1):
        if not (inner[i - 1] and inner[i] and inner[i + 1]):
            continue
        w = (x[i + 1] - x[i]) / (x[i + 1] - x[i - 1])
        for name, y in (("d", d), ("v", v)):
            apart = y[i] - (w * y[i - 1] + (1 - w) * y[i + 1])
            sums[name].append(apart**2 / (2 * (1 - w + w**2)))
    s_d, s_v = (sum(values) / len(values) for values in (sums["d"], sums["v"]))
    b = np.gradient(np.asarray(x, dtype=float))
    total = 0.0
    for i in range(len(x)):
        if inner[i]:
            total += b[i] ** 2 * (d[i] ** 2 * s_v + v[i] ** 2 * s_d + s_d * s_v)
    return total**0.5


def test_scatter_of_uneven_verticals_is_the_sum_by_hand():
    """Verticals unevenly spaced, two gaugings side by side: each is what plain loops give, divided by the triples."""
    x = [0.0, 0.4, 1.5, 1.9, 3.4, 3.9, 6.0, 6.5]
    d = [0.0, 0.31, 0.82, 0.55, 1.40, 1.10, 0.42, 0.0]
    v = [0.0, 0.12, 0.55, 0.31, 0.92, 0.70, 0.25, 0.0]
    inner = [False, *[True] * 6, False]
    one = _panels([0] * 8, x, d, v, inner=inner)
    assert from_scatter(one, 1)[0] == pytest.approx(_by_hand(x, d, v, inner))
    y, e = [2 * p for p in x], [1.7 * p + 0.1 * (i % 3) for i, p in enumerate(d)]
    two = _panels([0] * 8 + [1] * 8, [*x, *y], [*d, *e], [*v, *v[::-1]], inner=inner * 2)
    two = two.assign(width_m=np.r_[np.gradient(x), np.gradient(y)])
    expected = [_by_hand(x, d, v, inner), _by_hand(y, e, v[::-1], inner)]
    assert from_scatter(two, 2) == pytest.approx(expected)


@pytest.mark.parametrize(("inner_verticals", "said"), [(4, False), (5, True)])
def test_scatter_needs_three_triples(inner_verticals, said):
    """Five inner verticals make three with neighbours on both sides, four make two, which say nothing."""
    n = inner_verticals + 2
    rng = np.random.default_rng(4)
    inner = np.r_[False, np.ones(inner_verticals, dtype=bool), False]
    panels = _panels(
        [0] * n, np.cumsum(rng.uniform(0.3, 1.2, n)), rng.uniform(0.2, 1, n), rng.uniform(0, 1, n), inner=inner
    )
    assert np.isfinite(from_scatter(panels, 1)[0]) == said


NODES = Nodes(np.array([0, 0]), np.array([0.0, 3600.0]), np.array([1.0, 2.0]), np.array([3600.0]))


@pytest.mark.parametrize(
    ("down", "up", "said"),
    [
        (3.0, -1.9, True),
        (3.0, -2.0, False),
        (3.0, -2.1, False),
        (-3.0, 1.9, True),
        (-3.0, 2.1, False),
        (3.0, -3.0, False),
    ],
)
def test_discharge_weights_stop_where_panels_cancel_to_a_fifth(down, up, said):
    """``|sum q| > sum |q| / 5`` has a weighted stage, the sum by hand; at a fifth and below it has none."""
    at, flows = np.array([900.0, 2700.0]), np.array([down, up])
    found = discharge_weighted(NODES, np.zeros(2, dtype=int), at, flows, 1)[0]
    if said:
        assert found == pytest.approx((down * 1.25 + up * 1.75) / (down + up))
    else:
        assert np.isnan(found)


@pytest.mark.parametrize(("net", "said"), [(1.01, True), (1.0, True), (0.99, False), (-1.01, True), (-0.99, False)])
def test_percentages_stop_below_a_fifth_of_the_gross(net, said):
    """100 u/|Q| from a fifth of the gross discharge on, none below it."""
    found = percent(np.array([0.05]), np.array([net]), np.array([5.0]), 0.001)[0]
    assert (found == pytest.approx(5 / abs(net))) if said else np.isnan(found)


@pytest.mark.parametrize(("size", "said"), [(0.0021, True), (0.002, False), (0.0019, False)])
def test_percentages_need_more_than_the_floor(size, said):
    """At the office's floor and below it no percentage is given."""
    assert np.isfinite(percent(np.array([1e-4]), np.array([size]), np.array([size]), 0.002)[0]) == said


def test_a_spike_reaches_as_far_as_its_differences():
    """``d2u_i = (u_(i+2) - 2 u_i + u_(i-2))/4``: one sample changes u, du and d2u up to two samples away."""
    record, u = np.zeros(31, dtype=int), np.random.default_rng(2).normal(size=31)
    u[15] = 40.0
    other = u.copy()
    other[15] = 50.0  # the median stays where it is
    touched = np.flatnonzero((_cloud(record, u) != _cloud(record, other)).any(axis=0))
    assert touched.tolist() == [13, 14, 15, 16, 17]
    assert REACH == 2
    far = np.zeros(31)
    far[15] = 9.0
    assert np.flatnonzero(_largest_near(record, far) == 9.0).tolist() == [13, 14, 15, 16, 17]
    split = np.repeat([0, 1], [15, 16])
    assert np.flatnonzero(_largest_near(split, far) == 9.0).tolist() == [15, 16, 17]


def test_neighbours_a_spike_disturbs_are_not_spikes():
    """Two samples away from a spike of 3 m/s, samples 0.08 m/s off the mean (noise 0.05) stay."""
    value = np.random.default_rng(11).normal(0.0, 0.05, 60)
    value[[28, 32]] = -0.08, 0.08
    value[30] = 3.0
    assert np.flatnonzero(spikes(np.zeros(60, dtype=int), value)).tolist() == [30]


DAY = 86_400_000_000


def _proposed(*differences, reading_m=0.005):
    time = np.arange(101) * (DAY // 10)
    read = np.cumsum([0, *[DAY * (2 + i) for i in range(len(differences) - 1)]])  # visits unevenly apart
    visits = staff_against_sensor(time, np.ones(101), read, 1 + np.array(differences))
    return propose_corrections(visits, 10 * DAY, reading_m)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("change", "kind"), [(0.0140, "offset"), (-0.0140, "offset"), (0.0143, "drift"), (-0.0143, "drift")]
)
def test_two_differences_agree_within_two_root_two_of_a_reading(change, kind, sign):
    """2 sqrt(2) 0.005 m = 0.01414 m: closer is an offset of their mean, further apart a drift from one to the other."""
    found = _proposed(sign * 0.05, sign * (0.05 + change))
    assert found["kind"].tolist() == [kind, "held"]
    ends = (0.05 + change / 2,) * 2 if kind == "offset" else (0.05, 0.05 + change)
    assert found.loc[0, ["start_m", "end_m"]].tolist() == pytest.approx([sign * end for end in ends])
    assert found.loc[1, ["start_m", "end_m"]].tolist() == pytest.approx([sign * (0.05 + change)] * 2)


@pytest.mark.parametrize(("differences", "kinds"), [
    ((0.0099, -0.0001), []),
    ((0.0099, 0.0101), ["offset", "held"]),
    ((-0.0101, -0.0099), ["offset"]),
    ((0.0101,), ["held"]),
    ((0.0099,), []),
])  # fmt: skip
def test_what_lies_within_two_readings_is_nothing(differences, kinds):
    """2 u = 0.01 m: nothing is proposed where both differences lie within it."""
    assert _proposed(*differences)["kind"].tolist() == kinds


@pytest.mark.parametrize(
    ("angles", "given", "normal", "expected"),
    [
        ((np.nan, np.nan, np.nan), (np.nan, 0.9, np.nan), (False, False, None), (1.0, 0.9, 1.0)),
        ((np.nan, 60.0, -60.0), (np.nan, np.nan, np.nan), (None, None, False), (1.0, 0.5, 0.5)),
        ((60.0, 60.0, 0.0), (0.8, np.nan, -1.0), (False, True, None), (0.8, 1.0, -1.0)),
        ((np.nan, np.nan, np.nan), (np.nan, np.nan, np.nan), (None, True, False), (1.0, 1.0, 1.0)),
    ],
    ids=["one cosine", "one angle", "cosine before angle", "neither"],
)
def test_a_point_without_angle_does_not_take_that_of_others(angles, given, normal, expected):
    """The cosine of 60 degrees is 1/2; one handed in goes before the angle; 1 without either, or where normal."""
    columns = {"flow_angle_deg": angles, "angle_cosine": given, "velocity_is_normal": pd.array(normal, dtype="boolean")}
    assert cosines(pd.DataFrame(columns)) == pytest.approx(expected)


def test_a_missing_velocity_beside_the_first_edge_of_all_lies_between_the_two():
    """The very first row of a batch is a neighbour like any other: 0 at 0 m, 0.6 at 3 m, so 0.2 m/s at 1 m."""
    made = computed(one_point_section([0, 1, 3, 5, 6], [0, 0.5, 0.6, 0.5, 0], [None, None, 0.6, 0.4, None]))
    np.testing.assert_allclose([0.0, 0.2, 0.6, 0.4, 0.0], made.verticals["mean_velocity_m_s"])


@pytest.mark.parametrize("sign", [1, -1])
def test_a_stretch_out_of_the_series_is_as_high_as_its_furthest_value(sign):
    """Two values 0.5 m and 0.4 m off a level of 1 m: a height of 0.5 m with its sign, whichever side."""
    stage = 1.0 + sign * np.array([0.0, 0.001, 0.0, 0.4, 0.5, 0.001, 0.0, 0.001])
    found = off_series(np.arange(8) * 900_000_000, stage, 0.05, 5.0, 2, 3600.0)
    assert found[["first", "last"]].to_numpy().tolist() == [[3, 4]]
    np.testing.assert_allclose([sign * 0.5], found["height_m"], atol=0.001)


def test_weights_of_gaugings_have_a_mean_of_one_by_their_shares():
    """``w = 1/(u^2 + r^2)`` scaled so that ``sum s w / sum s = 1``; their ratios stay."""
    u, s = np.array([0.02, 0.05, 0.10]), np.array([1.0, 0.5, 0.5])
    weight = precision(u, 0.03, s)
    np.testing.assert_allclose(1.0, np.average(weight, weights=s))
    np.testing.assert_allclose((0.05**2 + 0.03**2) / (0.02**2 + 0.03**2), weight[0] / weight[1])


def test_an_uncertainty_handed_in_is_expanded_from_its_level():
    """8 % at a level of 95 is 4 % standard, 0.2 m3/s of 2.5 at k = 2; at 68 it is 8 % standard; also of flow back."""
    rows = pd.DataFrame(
        {
            "uncertainty_table_m3_s": np.nan,
            "uncertainty_scatter_m3_s": np.nan,
            "discharge_m3_s": [2.5, 2.5, -2.5],
            "handed_in_uncertainty_pct": 8.0,
            "handed_in_uncertainty_level": pd.array([95, 68, 95], dtype="Int64"),
        }
    )
    np.testing.assert_allclose([0.2, 0.4, 0.2], expanded_m3_s(rows))


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(("nearer", "told"), [(0.25, False), (0.35, True)])
def test_every_value_of_a_spike_lies_beyond_the_limit(side, nearer, told):
    """Of two values 0.6 m and 0.25 m off, with a limit of 0.3 m, the nearer one is none, and neither is the other."""
    stage = 5 + side * np.array([0, 0, 0, 0.6, nearer, 0, 0, 0])
    found = off_series(np.arange(8) * 1_000_000, stage, 0.3, 0.0, 2, 1.0)
    assert found[["first", "last"]].to_numpy().tolist() == ([[3, 4]] if told else [])


@pytest.mark.parametrize("component", ["meter calibration", "exposure"])
def test_what_errs_at_each_point_falls_with_the_root_of_their_number(component):
    """Two verticals of one gauging at 0.5 m/s, of one point and of four: to 1 the square of the second adds 1/4."""
    one, both = (
        panel_rows(
            g=np.zeros(n, dtype=int), position=np.zeros(n), depth=np.ones(n), velocity=np.full(n, 0.5),
            width=np.ones(n), discharge_m3_s=np.ones(n), points=np.array([1, 4])[:n], exposure_s=np.full(n, 60.0),
            deep=np.zeros(n, dtype=bool), inner=np.ones(n, dtype=bool), channel=np.ones(n, dtype=int),
        )
        for n in (1, 2)
    )  # fmt: skip
    row = COMPONENTS.index(component)
    first, second = (from_tables(panels, np.array([20]), 1)[row, 0] for panels in (one, both))
    assert first > 0
    assert (second / first) ** 2 == pytest.approx(1.25)


def test_spikes_come_in_order_of_time_numbered_from_0():
    """One of two values before one of a single value, which is looked for first."""
    stage = 5 + np.array([0, 0, 1, 1, 0, 0, 0, 1, 0, 0.0])
    found = off_series(np.arange(10) * 1_000_000, stage, 0.3, 0.0, 2, 1.0)
    assert found[["first", "last"]].to_numpy().tolist() == [[2, 3], [7, 7]]
    assert found.index.tolist() == [0, 1]
