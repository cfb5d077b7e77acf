"""Raw samples go the way of points."""

from __future__ import annotations

import numpy as np
import pytest

from stillwell.archive.archive import Archive
from stillwell.intake.interpret import interpret
from stillwell.pipeline.audit import audit
from tests.intake.making import folder, points
from tests.pipeline.season import season, take

HEAD = "gauging,vertical,relative_depth,sample,velocity_x_m_s,snr_db\n"


def _samples(values, vertical=2, depth=0.6):
    return HEAD + "".join(f"G1,{vertical},{depth},{i + 1},{v},{20 + i % 3}\n" for i, v in enumerate(values))


def test_samples_give_the_point_its_velocity():
    """A point without a velocity takes the mean of its samples, their number, deviation, error and weakest signal."""
    values = [0.40, 0.42, 0.38, 0.41, 0.39, 0.40]
    made = interpret([folder(points=points("2,1,.5,open,.6,"), samples=_samples(values))])
    assert made.problems.empty
    row = made.tables["points"].set_index("vertical").loc[2]
    assert row["velocity_m_s"] == pytest.approx(np.mean(values))
    assert row["velocity_sd_m_s"] == pytest.approx(np.std(values, ddof=1))
    assert (row["samples"], row["spikes"], row["snr_db"]) == (6, 0, 20)
    assert row["velocity_se_m_s"] >= np.std(values, ddof=1) / np.sqrt(6) * 0.999


def test_a_spike_does_not_enter_the_mean():
    """One wild sample in forty is counted as a spike and left out."""
    values = [0.4 + 0.01 * np.sin(3 * i) for i in range(40)]
    values[17] = 2.4
    made = interpret([folder(points=points("2,1,.5,open,.6,"), samples=_samples(values))])
    row = made.tables["points"].set_index("vertical").loc[2]
    assert row["spikes"] >= 1
    assert row["velocity_m_s"] == pytest.approx(0.4, abs=0.01)


def test_a_velocity_handed_in_stays():
    """Where a velocity was handed in beside samples it stands."""
    made = interpret([folder(points=points("2,1,.5,open,.6,.7"), samples=_samples([0.4] * 6))])
    assert made.tables["points"].set_index("vertical").loc[2, "velocity_m_s"] == 0.7


def test_samples_are_kept_and_computed_again(tmp_path):
    """The archive keeps every sample with its gauging, and the audit computes the velocity from them again."""
    root = season(tmp_path)
    raw = tmp_path / "raw"
    raw.mkdir()
    span = "2025-05-09T10:00Z,2025-05-09T11:00Z"
    (raw / "gaugings.csv").write_text(f"gauging,site,started_at,ended_at,instrument\nG1,S1,{span},M1\n")
    (raw / "points.csv").write_text(points("2,1,.5,open,.6,"))
    (raw / "samples.csv").write_text(_samples([0.4, 0.41, 0.39, 0.4, 0.42, 0.38]))
    taken = take(root, raw)
    assert taken.all_good, taken.prepared.problems.to_dict("records")
    archive = Archive(root)
    assert len(archive.standing("samples")) == 6
    row = archive.standing("gaugings").set_index("label").loc["G1"]
    assert row["discharge_m3_s"] == pytest.approx(0.4 * 0.5 * 25)
    assert audit(root).faults == ()


def test_a_bad_sample_returns_its_gauging():
    """A sample that is no number gives back the gauging with the line."""
    made = interpret([folder(points=points("2,1,.5,open,.6,"), samples=_samples([0.4, "x", 0.4]))])
    assert (made.problems["file"].iloc[0], made.problems["line"].iloc[0]) == ("samples.csv", 3)
    assert made.tables["gaugings"].empty
