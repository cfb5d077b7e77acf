"""A logger looking down on Trout Creek in 2021: MNiMORPH, doi 10.5281/zenodo.7192005, CC BY 4.0. READ."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.stage.check_series import check_series
from stillwell.hydrometry.stage.convert import stage_from_range

DATA = Path(__file__).parents[1] / "data" / "rangefinder_logger" / "stage_rangefinder_logger_5min_2021.txt.gz"


@pytest.fixture(scope="module")
def logger():
    """Read times (us) and range (m) of every row."""
    with gzip.open(DATA, "rt", encoding="utf-8") as text:
        table = pd.read_csv(text, skiprows=1, skipinitialspace=True, index_col=False)
    time = pd.to_datetime(table["Time [UTC]"], utc=True).dt.as_unit("us").astype("int64").to_numpy()
    return time, table["Range [cm]"].to_numpy() / 100


def test_range_becomes_stage_row_for_row(logger):
    """Each of 15,780 ranges makes one stage; what the range loses the stage gains, and the range comes back."""
    time, reach = logger
    stage = stage_from_range(reach, 5.0)
    assert time.size == 15_780
    np.testing.assert_allclose(-np.diff(reach), np.diff(stage), atol=1e-12)
    np.testing.assert_allclose(reach, 5.0 - stage, atol=1e-12)


def test_a_drifting_clock_is_no_clock_step_and_a_flood_no_spike(logger):
    """Readings 299 to 302 s apart raise no doubt about clock, interval or gaps, nor does the flood of over a metre."""
    time, reach = logger
    checked = check_series(time, stage_from_range(reach, 5.0))
    assert checked.spans.empty
    assert not checked.marks.any()
    assert np.ptp(reach) > 1
