"""Where to measure next: what it would bring, against really adding a gauging."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry import rating_law as rl
from stillwell.hydrometry.next_gauging import of_site, ranked
from stillwell.hydrometry.rating_fit import fit
from stillwell.hydrometry.rating_shape import FitChoices

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


def test_uncertainty_removed_is_what_the_covariance_with_one_more_row_says():
    """For every stage the promise is the mean variance by the information matrix of N + 1 gaugings."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    out = of_site(got, when, RECORD, NOW).stages
    order = out.sort_values("stage_m")
    g = rl.sensitivities(rl.law_of(got.curve)[None, :], order["stage_m"].to_numpy())[0]
    weight = order["share_of_time_pct"].to_numpy()
    weight = weight / weight.sum()
    information = np.linalg.inv(got.covariance)
    for row in (0, len(order) // 2, len(order) - 1):
        more = np.linalg.inv(information + np.outer(g[row], g[row]) / got.standard_error**2)
        left = 100 * np.sqrt((weight * np.einsum("ji,ik,jk->j", g, more, g)).sum())
        assert order["left_pct"].iloc[row] == pytest.approx(left, rel=1e-6)


def test_it_sends_the_party_where_nothing_was_gauged():
    """A site gauged at high stages only asks for a low one, where its record mostly is, unless out of reach."""
    got, when = site(np.linspace(1.2, 2.5, 20))
    out = of_site(got, when, RECORD, NOW)
    assert out.stages["stage_m"].iloc[0] < 1.2
    assert out.best_pct < out.uncertainty_pct
    assert any("below all gaugings" in sentence for sentence in out.sentences)
    kept = of_site(got, when, RECORD, NOW, reachable_m=(1.0, np.inf))
    assert kept.stages["stage_m"].iloc[0] >= 1.0
    assert kept.removed_pct < out.removed_pct


def test_days_runs_and_thin_stages_are_said():
    """40 days since the last; the last six gaugings 10 % high are a run; a gap between gaugings is thin."""
    stages = np.r_[np.linspace(0.4, 0.7, 12), np.linspace(1.6, 2.2, 12)]
    lift = np.where(np.arange(24) % 4 == 3, 1.1, 0.97)
    lift[18:] = 1.15
    got, when = site(stages, lift=lift)
    out = of_site(got, when, RECORD, NOW)
    assert out.days_since == pytest.approx(40)
    assert out.run >= 6
    assert out.run_chance == pytest.approx(2.0 ** (1 - out.run))
    assert any("fewer than 3 gaugings" in sentence for sentence in out.sentences)
    assert any("one side of the rating" in sentence for sentence in out.sentences)


def test_sites_are_ranked_and_every_part_is_seen():
    """A badly gauged, long unvisited site comes before a well gauged one."""
    good = of_site(*site(np.linspace(0.3, 3.0, 60)), RECORD, NOW)
    got, when = site(np.linspace(1.5, 2.5, 8), seed=2)
    bad = of_site(got, when - np.timedelta64(300, "D"), RECORD, NOW)
    table = ranked({"A": good, "B": bad})
    assert table["site"].tolist() == ["B", "A"]
    assert (table["score"].diff().dropna() <= 0).all()
    assert ranked({}).empty


def test_by_volume_high_stages_count_more():
    """Weighted by volume the best stage is no lower than weighted by time."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    by_time, by_volume = (of_site(got, when, RECORD, NOW, by=by).stages["stage_m"].iloc[0] for by in ("time", "volume"))
    assert by_volume >= by_time


def test_a_dry_record_is_refused():
    """A record without a stage above zero flow has nothing to rank."""
    got, when = site(np.linspace(0.5, 1.5, 20))
    with pytest.raises(RatingError, match="found none"):
        of_site(got, when, np.full(10, np.nan), NOW)
