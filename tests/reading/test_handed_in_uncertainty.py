"""An uncertainty handed in with a result counts wherever gaugings are weighed or held against their uncertainty."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s, standard_uncertainty
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.shape import FitChoices
from stillwell.reading.printed.show import show_gauging
from stillwell.reading.rating.shifts import proposal_of
from stillwell.reading.rating.site_fit import candidates, fitted, numbers_of, rated_discharge
from tests.pipeline.season import registers, take

STAGES = np.round(np.linspace(0.55, 2.6, 60), 3)
PERCENT = np.where(np.arange(60) % 3 == 0, 20.0, 4.0)
LEVEL = np.where(np.arange(60) % 2 == 0, 95, 68)


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Sixty results without points, every third good to 20 %, else 4 %, at levels of 95 and 68; a rating on them."""
    tmp = tmp_path_factory.mktemp("handed")
    rng = np.random.default_rng(9)
    flow = 6 * (STAGES - 0.3) ** 1.8 * np.exp(0.04 * rng.normal(size=60))
    flow[::3] *= 1.12
    lines = ["gauging,site,started_at,ended_at,method,discharge_m3_s,uncertainty_pct,uncertainty_level"]
    heights = ["site,read_at,gauge_height_m,gauging"]
    days = pd.date_range("2024-01-01T10:00Z", periods=60, freq="6D")
    for i, day in enumerate(days):
        span = f"{day:%Y-%m-%dT%H:%MZ},{day + pd.Timedelta(hours=1):%Y-%m-%dT%H:%MZ}"
        lines.append(f"G{i},S1,{span},moving-boat profiler,{flow[i]:.6g},{PERCENT[i]},{LEVEL[i]}")
        heights += [f"S1,{day + pd.Timedelta(minutes=m):%Y-%m-%dT%H:%MZ},{STAGES[i]},G{i}" for m in (-5, 65)]
    folder = tmp / "results"
    folder.mkdir()
    (folder / "gaugings.csv").write_text("\n".join(lines) + "\n")
    (folder / "gauge_heights.csv").write_text("\n".join(heights) + "\n")
    (folder / "ratings.csv").write_text("rating,site,valid_from,by,reason\nR,S1,2023-01-01T00:00Z,T,test\n")
    (folder / "rating_segments.csv").write_text(
        "rating,segment,from_m,coefficient,zero_stage_m,exponent\nR,1,0.3,6,0.3,1.8\n"
    )
    take(tmp / "archive", registers(tmp / "registers"))
    assert take(tmp / "archive", folder).all_good
    return Archive(tmp / "archive")


def test_a_level_of_90_or_more_is_two_standard_uncertainties_else_one():
    """95 and 90 divide by 2, 89 and 68 by 1, no level by 1; computed comes before handed in; 0 % says nothing."""
    rows = pd.DataFrame(
        {
            "discharge_m3_s": [2.0, 2.0, -2.0, 2.0, 2.0, 2.0, 2.0],
            "uncertainty_table_pct": [np.nan] * 5 + [7.0, np.nan],
            "uncertainty_scatter_pct": [np.nan] * 5 + [9.0, np.nan],
            "uncertainty_table_m3_s": [np.nan] * 5 + [0.14, np.nan],
            "uncertainty_scatter_m3_s": [np.nan] * 5 + [0.18, np.nan],
            "handed_in_uncertainty_pct": [8.0, 8.0, 8.0, 8.0, 8.0, 50.0, 0.0],
            "handed_in_uncertainty_level": [95.0, 90.0, 89.0, 68.0, np.nan, 95.0, 95.0],
        }
    )
    expected = [0.04, 0.04, 0.08, 0.08, 0.08, 0.045, np.nan]
    np.testing.assert_allclose(standard_uncertainty(rows), expected)
    np.testing.assert_allclose(expanded_m3_s(rows), [0.16, 0.16, 0.32, 0.32, 0.32, 0.18, 0.0])


def test_a_fit_weighs_by_what_was_handed_in(archive):
    """The fit is the one made with the standard uncertainties written down by hand, and not the unweighted one."""
    found = candidates(archive, "S1")
    choices = FitChoices(segments=1, loss="none")
    stage, flow = numbers_of(found.rows, "gauge_height_m"), rated_discharge(found.rows)
    by_hand = fit(stage, flow, uncertainty=PERCENT / np.where(LEVEL == 95, 200, 100), choices=choices).curve
    alike = fit(stage, flow, choices=choices).curve
    got = fitted(found, choices).curve
    np.testing.assert_allclose(got.coefficient, by_hand.coefficient, rtol=1e-9)
    assert abs(alike.coefficient[0] / by_hand.coefficient[0] - 1) > 0.01


def test_shifts_are_proposed_beyond_what_was_handed_in(archive):
    """Each gauging is held against twice its standard uncertainty: 20 % or 4 % at 95, 40 % or 8 % at 68."""
    _, proposal = proposal_of(archive, "S1", "by gauging")
    np.testing.assert_allclose(proposal.gaugings["uncertainty_pct"], PERCENT * np.where(LEVEL == 95, 1, 2))
    assert not any("give no uncertainty" in sentence for sentence in proposal.sentences)


def test_the_sheet_prints_it(archive):
    """What was handed in stands on the sheet with the standard uncertainty it counts as."""
    rows = archive.standing("gaugings")
    named = rows.set_index("label")["gauging_id"]
    assert "20.0 % (95 %); standard 10.0 %" in show_gauging(archive, named["G0"])
    assert "4.00 % (68 %); standard 4.00 %" in show_gauging(archive, named["G1"])
