"""Hourly stage 2003 to 2023 and 29 gaugings of one gauge: Regione Autonoma Friuli Venezia Giulia, CC0 1.0.

READ: number of stages and of missing ones, longest hole, and the gauging stages as published. The day on which the
resolution changes was not published; it is DERIVED by looking for the first values that need centimetres.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.stage.check_series import check_series, ordered
from stillwell.hydrometry.stage.corrections import staff_against_sensor
from stillwell.hydrometry.stage.flags import StageMark

DATA = Path(__file__).parents[1] / "data" / "fvg_n105"


def _us(text):
    return pd.to_datetime(text, utc=True).dt.as_unit("us").astype("int64").to_numpy()


@pytest.fixture(scope="module")
def series():
    """Read the series: microseconds and metres."""
    table = pd.read_csv(DATA / "fvg_N105_stage_hourly_2003_2023.csv.gz")
    return _us(table["datetime"]), table["H"].to_numpy()


@pytest.fixture(scope="module")
def checked(series):
    """Check the series once."""
    return check_series(*series)


def _of(checked, code):
    return checked.spans[checked.spans["code"] == code].reset_index(drop=True)


def test_every_stage_is_kept_and_every_missing_one_marked(series, checked):
    """176,034 stages of which 1,444 are missing; the checks leave order and number alone."""
    time, stage = series
    assert stage.size == 176_034
    assert ((checked.marks & StageMark.MISSING) > 0).sum() == 1_444
    kept_time, kept = ordered(time, stage, checked)
    np.testing.assert_array_equal(time, kept_time)
    np.testing.assert_array_equal(stage, kept)


def test_the_longest_hole_is_found(checked):
    """The longest time without a stage is the 2,119 hours that end on 11 December 2023."""
    gap = _of(checked, "gap")
    longest = gap.loc[gap["value"].idxmax()]
    assert longest["value"] == 2_119
    assert pd.Timestamp(longest["to_us"], unit="us") == pd.Timestamp("2023-12-11 17:00")


def test_the_change_to_centimetres_is_found(series, checked):
    """Stages are read to 0.1 m, but for eleven days of May 2015, until centimetres begin at the end of October 2019."""
    changes = _of(checked, "resolution-changed")
    assert changes["value"].tolist() == [0.01, 0.1, 0.01]
    lasting = pd.Timestamp(changes["from_us"].iloc[-1], unit="us")
    time, stage = series
    centimetres = np.abs(stage * 10 - np.round(stage * 10)) > 1e-6
    day = pd.to_datetime(time, unit="us")
    autumn = day[centimetres & np.asarray(day > "2016")]
    assert autumn[0] == lasting
    assert pd.Timestamp("2019-10-25") == lasting


def test_no_clock_step_or_time_back_is_invented(checked):
    """The hours of this logger never go back or shift, and no such doubt is raised."""
    assert {"gap", "flat-line", "spike", "resolution-changed"} >= set(checked.spans["code"])


def test_gauging_stages_agree_with_the_record(series):
    """Gauging stage less recorded stage: median 0.00 m, two outliers (0.19 and 0.14 m), two visits in the hole."""
    gaugings = pd.read_csv(DATA / "fvg_N105_gaugings.csv")
    visits = staff_against_sensor(*series, _us(gaugings["TimeStart"]), gaugings["H"].to_numpy() / 100)
    apart = visits["difference_m"].dropna()
    assert apart.median() == pytest.approx(0.0, abs=0.0051)
    assert pytest.approx(sorted(apart.abs())[-2:], abs=0.001) == [0.14, 0.19]
    assert sorted(apart.abs())[-3] < 0.06
    assert visits["difference_m"].isna().sum() == 2
