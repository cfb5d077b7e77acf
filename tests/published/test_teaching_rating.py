"""Nine pairs of a teaching notebook (Dan Kovacek, Engineering Hydrology Notebooks, CC BY 4.0, see tests/data).

Data READ. No fitted values were read; everything expected is DERIVED. No two of the nine rows are equal as the file
stands.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.notes import repeated
from stillwell.hydrometry.rating.shape import FitChoices

DATA = Path(__file__).parents[1] / "data" / "teaching_rating_gaugings_9.csv"


@pytest.fixture(scope="module")
def pairs():
    """Date, discharge, stage."""
    return pd.read_csv(DATA, names=["date", "discharge", "stage"], header=0)


def test_a_row_handed_in_twice_is_found(pairs):
    """The nine rows differ; the last handed in again (ours) is named as the ninth, and noted."""
    assert (repeated(pairs["stage"].to_numpy(), pairs["discharge"].to_numpy(), pairs["date"].to_numpy()) == -1).all()
    rows = pd.concat([pairs, pairs.tail(1)], ignore_index=True)
    again = repeated(rows["stage"].to_numpy(), rows["discharge"].to_numpy(), rows["date"].to_numpy())
    np.testing.assert_array_equal([*[-1] * 9, 8], again)
    notes = fit(rows["stage"].to_numpy(), rows["discharge"].to_numpy()).notes
    assert any("row 9 repeats row 8" in note for note in notes)
    once = fit(rows["stage"].to_numpy(), rows["discharge"].to_numpy(), visit=rows["date"].to_numpy(dtype=object))
    assert once.visits == pytest.approx(9)


def test_nine_pairs_make_one_segment_and_no_more(pairs):
    """One segment is fitted and says it is thin; two cannot be had, and why stands in the table."""
    got = fit(pairs["stage"].to_numpy(), pairs["discharge"].to_numpy())
    assert got.curve.lower_m.size == 1
    assert any("rests on 9 gaugings" in note for note in got.notes)
    assert (got.criterion["why_not"][1:] != "").all()
    assert got.gaugings["trust"].min() > 0
    with pytest.raises(RatingError, match="every segment"):
        fit(pairs["stage"].to_numpy(), pairs["discharge"].to_numpy(), choices=FitChoices(segments=2))


def test_least_squares_is_that_of_another_way(pairs):
    """With e fixed at 0.1 m the plain fit is numpy's line through the logarithms."""
    stage, discharge = pairs["stage"].to_numpy(), pairs["discharge"].to_numpy()
    slope, level = np.polyfit(np.log(stage - 0.1), np.log(discharge), 1)
    got = fit(stage, discharge, choices=FitChoices(segments=1, zero_stage_m=(0.1,), loss="none")).curve
    np.testing.assert_allclose([slope, np.exp(level)], [got.exponent[0], got.coefficient[0]], rtol=1e-9)
