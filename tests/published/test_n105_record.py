"""A record end to end on open data: 20 years of hourly stage and 29 gaugings of station N105 (CC0 1.0).

Source and licence: ``tests/data/fvg_n105/SOURCE.txt``. READ: the data; DERIVED: what is expected of them.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.pipeline import adopt as adopting
from stillwell.pipeline.audit import audit
from stillwell.pipeline.derive import derive
from stillwell.reading.rating.shifts import left_ratings
from stillwell.reading.rating.site_fit import candidates, fitted
from stillwell.reading.select.spans import span_of
from tests.pipeline.season import NOW, take

DATA = Path(__file__).parents[1] / "data" / "fvg_n105"
SINCE = datetime(2003, 1, 1, tzinfo=UTC)
CHANGED = datetime(2021, 1, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Take stage and gaugings in, rate the gaugings up to 2020, and derive."""
    tmp = tmp_path_factory.mktemp("n105")
    folder = tmp / "deposit"
    folder.mkdir()
    stage = pd.read_csv(DATA / "fvg_N105_stage_hourly_2003_2023.csv.gz").dropna()
    gaugings = pd.read_csv(DATA / "fvg_N105_gaugings.csv")
    start = pd.to_datetime(gaugings["TimeStart"], utc=True)
    form = "%Y-%m-%dT%H:%M:%SZ"
    ends = (start + pd.Timedelta(hours=1)).dt.strftime(form)
    (folder / "sites.csv").write_text("site,name,latitude,longitude,utc_offset\nN105,N105,46,13,+01:00\n")
    pd.DataFrame({"site": "N105", "time": stage["datetime"], "stage_m": stage["H"]}).to_csv(
        folder / "stage.csv", index=False
    )
    named = {"gauging": range(len(gaugings)), "site": "N105", "started_at": start.dt.strftime(form), "ended_at": ends}
    pd.DataFrame(named | {"method": "other velocity-area", "discharge_m3_s": gaugings["Q"]}).to_csv(
        folder / "gaugings.csv", index=False
    )
    read = {"site": "N105", "read_at": start.dt.strftime(form), "gauge_height_m": gaugings["H"] / 100}
    pd.DataFrame(read | {"gauging": range(len(gaugings))}).to_csv(folder / "gauge_heights.csv", index=False)
    root = tmp / "archive"
    assert take(root, folder).all_good
    made = fitted(candidates(Archive(root), "N105", span_of(None, CHANGED)))
    deposit = adopting.rating_deposit("N105", "A", made, valid_from=SINCE, by="H1", reason="gaugings up to 2020")
    adopting.adopt(root, deposit, by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    return root


def test_every_recorded_stage_becomes_a_value(root):
    """174,590 stages that are not missing (176,034 less 1,444), each with a discharge but where the rating ends."""
    rows = Archive(root).standing("discharge", ["N105"])
    assert len(rows) == 176_034 - 1_444
    assert rows["discharge_m3_s"].notna().mean() > 0.99
    assert (rows.loc[rows["discharge_m3_s"].isna(), "marks"] == "above gauged").all()


def test_an_adopted_rating_gives_what_the_fit_gave(root):
    """Written down as CSV and read again the rating rates the same, to the last digit a double holds."""
    archive = Archive(root)
    made = fitted(candidates(archive, "N105", span_of(None, CHANGED)))
    rows = archive.standing("discharge", ["N105"]).dropna(subset=["discharge_m3_s"])
    np.testing.assert_array_equal(made.curve.discharge(rows["stage_m"].to_numpy()), rows["discharge_m3_s"])


def test_the_change_after_2020_is_told_as_a_rating_that_no_longer_holds(root):
    """All six gaugings since December 2021 lie below the rating: the site is named, with since when."""
    said = left_ratings(Archive(root))
    assert set(said) == {"N105"}
    assert "2021-12-21" in said["N105"]
    assert "below the rating" in said["N105"]


def test_daily_means_are_time_means_of_the_record(root):
    """On a day with all 24 values the mean is the trapezoid rule between both midnights, done here by hand."""
    archive = Archive(root)
    day = archive.standing("daily", ["N105"]).set_index("day").loc["2019-11-20"]
    rows = archive.standing("discharge", ["N105"]).set_index("time").sort_index()
    hours = rows.loc[day["starts_at"] : day["ends_at"], "discharge_m3_s"]
    assert len(hours) == 25
    np.testing.assert_allclose(np.trapezoid(hours.to_numpy(), dx=1 / 24), day["mean_m3_s"])


def test_a_day_with_a_flood_beyond_the_limit_has_no_mean(root):
    """On 18 November 2019 stage passed what may be rated: neither a mean nor a maximum is made up."""
    day = Archive(root).standing("daily", ["N105"]).set_index("day").loc["2019-11-18"]
    assert day[["mean_m3_s", "maximum_m3_s"]].isna().all()
    assert "above gauged" in day["marks"]


def test_the_record_is_proved(root):
    """Every one of the derived rows is computed again and equal."""
    assert audit(root).faults == ()
