"""Where to measure next: what it would bring, against really adding a gauging."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import law as rl
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.next_gauging import of_site, ranked
from stillwell.hydrometry.rating.shape import FitChoices

LAW = np.array([np.log(8.0), 1.9, 0.2])
NOW = np.datetime64("2025-07-01", "us")
RECORD = np.random.default_rng(4).gamma(2.0, 0.5, 5000) + 0.25


def site(stages, seed=1, lift=None):
    """Gauge an invented site at these stages, once a week up to 40 days ago."""
    rng = np.random.default_rng(seed)
    discharge = np.exp(rl.log_discharge(LAW[None, :], stages)[0] + 0.05 * rng.normal(size=stages.size))
    if lift is not None:
        discharge = discharge * lift
    got = fit(stages, discharge, choices=FitChoices(segments=1, loss="none"))
    back = (np.arange(stages.size)[::-1] * 7 + 40).astype("timedelta64[D]").astype("timedelta64[us]")
    return got, NOW - back


def flow(stages):
    """Discharge of the record by the true law."""
    return np.nan_to_num(np.exp(rl.log_discharge(LAW[None, :], stages)[0]))


def looked(got, when, record=RECORD, **choices):
    """Look ahead from a fit over a record."""
    return of_site(got, when, record, flow(record), NOW, **choices)


def test_the_gain_is_what_the_yearly_volume_gains_by_one_more_row():
    """For every stage the promise is the volume's uncertainty by the information matrix of N + 1 gaugings.

    The volume answers to the numbers of the law as the sum of each class's share of it times the class's derivatives.
    """
    got, when = site(np.linspace(0.5, 1.5, 20))
    out = looked(got, when)
    order = out.stages.sort_values("stage_m")
    g = rl.sensitivities(got.curve.law[None, :], order["stage_m"].to_numpy())[0]
    whole = order["share_of_volume_pct"].to_numpy() / 100 @ g
    assert order["share_of_volume_pct"].sum() == pytest.approx(100)
    now = 100 * np.sqrt(whole @ got.covariance @ whole)
    assert out.uncertainty_pct == pytest.approx(now)
    information = np.linalg.inv(got.covariance)
    for row in (0, len(order) // 2, len(order) - 1):
        more = np.linalg.inv(information + np.outer(g[row], g[row]) / got.standard_error**2)
        assert order["gain_pct"].iloc[row] == pytest.approx(now - 100 * np.sqrt(whole @ more @ whole), rel=1e-6)


def test_shares_of_volume_are_time_times_discharge():
    """Of two stages, 0.7 of the time at 0.5 m and 0.3 at 2.0 m, each carries its time times its discharge."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    record = np.repeat([0.5, 2.0], [700, 300])
    stages = looked(got, when, record).stages.sort_values("stage_m")
    passed = np.array([0.7, 0.3]) * flow(np.array([0.5, 2.0]))
    np.testing.assert_allclose(stages["share_of_volume_pct"], 100 * passed / passed.sum())
    np.testing.assert_allclose(stages["share_of_time_pct"], [70, 30])


def test_a_stage_without_flow_in_the_rating_in_force_is_never_recommended():
    """The rating in force begins to flow at 1.1 m: what is recommended lies above, has flow and gains."""
    got, when = site(np.linspace(1.2, 2.5, 20))
    free = looked(got, when)
    assert free.stage_m < 1.1 or free.stages["stage_m"].iloc[0] != free.stages["stage_m"].max()
    held = looked(got, when, in_force=Curve(*(np.array([v]) for v in (1.1, 8.0, 1.1, 1.9))))
    assert held.stage_m > 1.1
    assert held.stages["rated_m3_s"].iloc[0] > 0
    assert held.gain_pct >= 0.005
    assert f"{held.gain_pct:.2f} off" in held.sentences[0]


def test_where_nothing_is_recommended_the_reason_is_said():
    """No flow at any stage of the record by the rating in force; or no gauging gains what two decimals print."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    dry = looked(got, when, in_force=Curve(*(np.array([v]) for v in (50.0, 8.0, 50.0, 1.9))))
    assert np.isnan(dry.stage_m)
    assert dry.gain_pct == 0
    assert "no flow at any stage" in dry.sentences[0]
    exact = site(np.linspace(0.3, 3.0, 3000))
    sure = looked(*exact)
    assert np.isnan(sure.stage_m)
    assert "no gauging would take 0.005 or more" in sure.sentences[0]
    assert ranked({"A": dry, "B": sure})["stage_m"].isna().all()


def test_it_sends_the_party_where_nothing_was_gauged():
    """A site gauged at high stages only asks for a low one, where its record mostly is, unless out of reach."""
    got, when = site(np.linspace(1.2, 2.5, 20))
    out = looked(got, when)
    assert out.stages["stage_m"].iloc[0] < 1.2
    assert out.best_pct < out.uncertainty_pct
    assert any("below all gaugings" in sentence for sentence in out.sentences)
    kept = looked(got, when, reachable_m=(1.0, np.inf))
    assert kept.stages["stage_m"].iloc[0] >= 1.0
    assert kept.gain_pct < out.gain_pct


def test_days_runs_and_thin_stages_are_said():
    """40 days since the last; the last six gaugings 10 % high are a run; a gap between gaugings is thin."""
    stages = np.r_[np.linspace(0.4, 0.7, 12), np.linspace(1.6, 2.2, 12)]
    lift = np.where(np.arange(24) % 4 == 3, 1.1, 0.97)
    lift[18:] = 1.15
    got, when = site(stages, lift=lift)
    out = looked(got, when)
    assert out.days_since == pytest.approx(40)
    assert out.run >= 6
    assert out.run_chance == pytest.approx(2.0 ** (1 - out.run))
    assert any("fewer than 3 gaugings" in sentence for sentence in out.sentences)
    assert any("one side of the rating" in sentence for sentence in out.sentences)


def test_sites_are_ranked_and_every_part_is_seen():
    """A badly gauged, long unvisited site comes before a well gauged one."""
    good = looked(*site(np.linspace(0.3, 3.0, 60)))
    got, when = site(np.linspace(1.5, 2.5, 8), seed=2)
    bad = looked(got, when - np.timedelta64(300, "D"))
    table = ranked({"A": good, "B": bad})
    assert table["site"].tolist() == ["B", "A"]
    assert (table["score"].diff().dropna() <= 0).all()
    assert ranked({}).empty


def test_a_dry_record_is_refused():
    """A record without a stage above zero flow has nothing to rank."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    with pytest.raises(RatingError, match="found none"):
        of_site(got, when, np.full(10, np.nan), np.full(10, np.nan), NOW)


@pytest.mark.parametrize(("last", "run"), [
    ([-1.0, 2.0, 3.0], 2), ([-1.0, 2.0, 0.0], 1), ([-1.0, 2.0, np.nan], 1), ([-1.0, -2.0, -3.0], 3),
])  # fmt: skip
def test_a_run_counts_departures_of_one_sign_that_are_known(last, run):
    """A departure of 0, one without a figure and a gauging without a moment belong to no run and end none."""
    got, when = site(np.linspace(0.5, 2.0, 10))
    departs = np.r_[np.tile([5.0, -5.0], 3), 4.0, last]
    told = replace(got, gaugings=got.gaugings.assign(departure_pct=departs))
    assert looked(told, when).run == run
    lost = when.copy()
    lost[-2] = np.datetime64("NaT")
    assert looked(told, lost).run == max(run - 1, 1)


def test_stages_below_and_above_the_gaugings_are_told():
    """From the lowest to the highest gauging a stage lies within, also on either."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    stages = looked(got, when).stages
    told = np.select([stages["stage_m"] < 0.5, stages["stage_m"] > 1.5], ["below", "above"], "")
    assert stages["gauged_range"].tolist() == told.tolist()
    assert set(told) == {"below", "above", ""}


def test_a_ranking_has_its_columns_in_the_order_of_reading():
    """The site, where to measure, what it brings, then what the score is made of."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    columns = ranked({"S": looked(got, when)}).columns.tolist()
    assert columns == ["site", "stage_m", "gain_pct", "uncertainty_pct", "days_since", "run", "score"]
    assert ranked({}).columns.tolist() == columns


def test_stages_are_held_against_the_gauged_range_and_what_can_be_reached():
    """Gauged from 0.5 to 1.5 m: 0.5 m lies within, and can be reached from 0.5 m on; 2 m above. Limits are S_mr."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    record = np.repeat([0.5, 1.5, 2.0], [700, 200, 100])
    stages = looked(got, when, record, reachable_m=(0.5, 1.5)).stages.sort_values("stage_m")
    assert stages["gauged_range"].tolist() == ["", "", "above"]
    assert stages["reachable"].tolist() == [True, True, False]
    relation = got.band(np.array([0.5, 1.5, 2.0])).mean_relation
    np.testing.assert_allclose(stages["uncertainty_pct"], 100 * relation)
