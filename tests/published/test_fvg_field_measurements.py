"""814 field measurements as an office kept them, real mistakes included, handed in as results (CC0 1.0).

Source and licence: ``tests/data/fvg_field/SOURCE.txt``. READ: the data. DERIVED: what contradicts what, worked out
here with pandas alone; a row is called good where no two of its numbers contradict each other by more than a tenth.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.pipeline.ingest import ingest
from tests.pipeline.season import NOW, take

DATA = Path(__file__).parents[1] / "data" / "fvg_field"
FILE = "fvg_field_measurements_2004_2024.csv"
CONTRADICTIONS = (
    "result-inconsistent",
    "mean-depth-differs",
    "max-depth-unlike-mean",
    "max-velocity-unlike-mean",
)


@pytest.fixture(scope="module")
def rows():
    """Read the file without the project."""
    return pd.read_csv(DATA / FILE).set_index("IdMeasure")


@pytest.fixture(scope="module")
def taken(rows, tmp_path_factory):
    """Take the file in with its map."""
    tmp = tmp_path_factory.mktemp("field")
    register = tmp / "register"
    register.mkdir()
    lines = [f"{code},{code},46,13,+00:00" for code in sorted(rows["StationCode"].unique())]
    (register / "sites.csv").write_text("\n".join(["site,name,latitude,longitude,utc_offset", *lines]) + "\n")
    take(tmp / "archive", register)
    return ingest(tmp / "archive", [DATA / FILE], map_path=DATA / "map.toml", now=NOW)


@pytest.fixture(scope="module")
def doubted(taken):
    """Gather which measurement is doubted by which code."""
    gaugings, findings = taken.prepared.tables["gaugings"], taken.prepared.tables["findings"]
    label = gaugings.set_index("gauging_id")["label"].astype(int)
    return {code: set(part["gauging_id"].map(label)) for code, part in findings.groupby("code")}


def apart(found: pd.Series, expected: pd.Series) -> pd.Series:
    """Say by what share of what is expected a number is off."""
    return (found - expected).abs() / expected.abs()


def test_every_row_is_taken_or_returned_with_its_reason(rows, taken):
    """Of 814 rows 804 are taken; returned are those without a time or a method, or that end before they start."""
    problems = taken.prepared.problems
    returned = set(problems["gauging"].astype(int))
    backwards = set(rows.index[rows["TimeEnd"] < rows["TimeStart"]])
    assert returned == backwards | set(rows.index[rows["TimeStart"].isna() | rows["Method"].isna()])
    assert len(returned) == 10
    assert len(backwards) == 3
    assert len(taken.prepared.outcomes) + len(returned) == len(rows) == 814
    assert (problems["consequence"].str.len() > 10).all()
    undated = problems[(problems["gauging"] == "807") & (problems["column"] == "started_at")]
    assert len(undated) == 1


def test_discharge_that_is_not_area_times_velocity_is_found(rows, taken, doubted):
    """All 25 measurements taken whose discharge is more than a tenth off the product of their own numbers."""
    known = set(rows.index[apart(rows["Q"], rows["section_area"] * rows["speed_ave"]) > 0.1])
    known &= set(taken.prepared.tables["gaugings"]["label"].astype(int))
    assert len(known) == 25
    assert known <= doubted["result-inconsistent"]


def test_impossible_depths_and_velocities_are_found(rows, doubted):
    """A mean depth of 102.29 m, a greatest velocity of 239 m/s, a greatest depth of 77.6 m in 2 m of water."""
    assert set(rows.index[rows["depth_ave"] == 102.29]) <= doubted["mean-depth-differs"]
    assert set(rows.index[rows["speed_max"] == 239.0]) <= doubted["max-velocity-unlike-mean"]
    assert set(rows.index[rows["depth_max"] == 77.6]) <= doubted["max-depth-unlike-mean"]


def test_hardly_a_good_row_is_doubted(rows, taken, doubted, capsys):
    """Of the rows in which nothing contradicts anything by a tenth fewer than one in twenty is doubted; printed."""
    kept = rows[rows.index.isin(taken.prepared.tables["gaugings"]["label"].astype(int))]
    area, mean, most = kept["section_area"], kept["speed_ave"], kept["speed_max"]
    bad = apart(kept["Q"], area * mean) > 0.1
    bad |= apart(kept["depth_ave"], area / kept["section_width"]) > 0.1
    bad |= (kept["depth_max"] < kept["depth_ave"]) | (kept["depth_max"] > 10 * kept["depth_ave"])
    bad |= (most < mean) | (most > 10 * mean)
    good = set(kept.index[~bad.to_numpy()])
    wrongly = {code: len(doubted.get(code, set()) & good) for code in CONTRADICTIONS}
    found = {code: len(doubted.get(code, set()) - good) for code in CONTRADICTIONS}
    with capsys.disabled():
        said = f"{len(good)} good rows and {int(bad.sum())} others; good rows doubted {wrongly}; others found {found}"
        sys.stdout.write(f"\n{said}\n")
    every = set().union(*(doubted.get(code, set()) for code in CONTRADICTIONS))
    missed = set(kept.index[bad.to_numpy()]) - every
    assert sum(wrongly.values()) < 0.05 * len(good)
    assert len(missed) <= 0.1 * bad.sum(), rows.loc[sorted(missed)]
    assert np.isfinite(kept["Q"]).all()
