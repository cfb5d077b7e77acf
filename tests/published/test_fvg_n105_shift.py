"""A real station whose control changed: 29 gaugings at N105 (CC0, see tests/data).

Data READ, of the Regione Autonoma Friuli Venezia Giulia. That the relation moved between 2012 and 2022 is stated by
whoever published them; where and by how much is DERIVED here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.rating import residual_tests
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.shape import FitChoices
from stillwell.hydrometry.rating.shift_proposal import propose

DATA = Path(__file__).parents[1] / "data" / "fvg_n105" / "fvg_N105_gaugings.csv"


@pytest.fixture(scope="module")
def gaugings():
    """Stage in m, discharge, time."""
    rows = pd.read_csv(DATA, parse_dates=["TimeStart"])
    return rows["TimeStart"].to_numpy(), rows["H"].to_numpy() / 100, rows["Q"].to_numpy()


def test_the_shift_between_2012_and_2022_is_found(gaugings):
    """On a rating of 2008 to 2012 later gaugings up to early 2020 belong, those from December 2021 on do not."""
    time, stage, discharge = gaugings
    early = time < np.datetime64("2013-01-01")
    late = time > np.datetime64("2021-01-01")
    got = fit(stage, discharge, used=early, choices=FitChoices(segments=1)).gaugings
    departs = got["departure_pct"].to_numpy()

    changed = residual_tests.new_against_old(departs[late], departs[early])
    assert not changed.passed
    assert "the relation has changed" in changed.sentence
    assert residual_tests.new_against_old(departs[~early & ~late], departs[early]).passed
    shift = got["shift_m"].to_numpy()
    assert (shift[late] < -0.06).all()
    assert np.median(shift[late]) == pytest.approx(-0.11, abs=0.03)


def test_the_proposal_says_since_when_and_asks_for_a_new_rating(gaugings):
    """Against all gaugings before 2021, the last six lie below beyond their uncertainty, since 2021-12-21."""
    time, stage, discharge = gaugings
    old = time < np.datetime64("2021-01-01")
    rating = fit(stage, discharge, used=old)
    got = propose(rating.curve, time, stage, discharge, stage_uncertainty_m=0.02)
    last = got.sentences[-1]
    assert "last 6 gaugings, since 2021-12-21" in last
    assert "wants a new rating" in last
    assert got.gaugings["within"][:23].mean() > 0.7
    assert not got.gaugings["within"][23:].any()
    assert got.gaugings["departure_after_pct"][23:].abs().max() < 1e-6


def test_one_gauging_lies_off_by_itself(gaugings):
    """2.53 m3/s at 0.00 m on 2008-02-18 is half of what its neighbours say; it bends nothing and is named."""
    time, stage, discharge = gaugings
    got = fit(stage, discharge, used=time < np.datetime64("2021-01-01"))
    assert got.gaugings["trust"].idxmin() == 0
    assert any(note.startswith("row 0: 2.53 m3/s at 0.000 m lies far off") for note in got.notes)
