"""Ratings of ordinary size, from their gaugings to a rebuilt archive."""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from tests.commands.test_commands import run
from tests.pipeline.season import registers, take

SITE = "INV-LONG-CODE-OF-A-SITE"
FEET, ZEROS, EXPONENTS = (0.45, 1.1, 1.9, 2.9), (0.3, 0.55, 0.2, 0.9), (1.8, 2.4, 2.9, 1.6)
"""Where each of four segments begins, its stage of zero flow and its exponent (m, m, 1); invented."""


def _discharge(stage):
    """Follow ``Q = C (h - e)^beta`` through four segments that meet."""
    coefficient, q = 8.0, np.zeros_like(stage)
    for i, (foot, e, beta) in enumerate(zip(FEET, ZEROS, EXPONENTS, strict=True)):
        if i:
            below = coefficient * (foot - ZEROS[i - 1]) ** EXPONENTS[i - 1]
            coefficient = below / (foot - e) ** beta
        inside = stage >= foot
        q[inside] = coefficient * (stage[inside] - e) ** beta
    return q


def _gaugings(folder, count=60):
    """Write results of gaugings with a reading of the gauge at start and end of each, and a logger beside them."""
    folder.mkdir()
    rng = np.random.default_rng(13)
    stage = np.round(np.exp(np.linspace(np.log(0.5), np.log(3.9), count)), 3)
    rng.shuffle(stage)
    q = _discharge(stage) * np.exp(rng.normal(0, 0.02, count))
    start = pd.Timestamp("2024-10-02T10:00Z") + pd.to_timedelta(np.arange(count) * 6, unit="D")
    lines, heights = ["gauging,site,started_at,ended_at,method,instrument,discharge_m3_s,uncertainty_pct,"], []
    lines[0] += "uncertainty_level"
    for i, at in enumerate(start):
        end = at + pd.Timedelta(hours=1)
        lines.append(
            f"G{i},{SITE},{at.isoformat()},{end.isoformat()},moving-boat profiler,PROFILER-{i % 3},{q[i]:.4f},5,95"
        )
        heights += [f"{SITE},,{moment.isoformat()},{stage[i]},G{i}" for moment in (at, end)]
    (folder / "gaugings.csv").write_text("\n".join(lines) + "\n")
    (folder / "gauge_heights.csv").write_text("site,gauge,read_at,gauge_height_m,gauging\n" + "\n".join(heights) + "\n")
    (folder / "sites.csv").write_text(
        f"site,name,latitude,longitude,utc_offset\n{SITE},Long code (invented),12,20,+00:00\n"
    )
    (folder / "instruments.csv").write_text(
        "instrument,kind\n" + "".join(f"PROFILER-{i},acoustic point\n" for i in range(3))
    )
    times = pd.date_range("2025-01-01T00:00Z", periods=49, freq="1h")
    (folder / "stage.csv").write_text(
        "site,time,stage_m\n" + "".join(f"{SITE},{t.isoformat()},{0.6 + i * 0.06:.3f}\n" for i, t in enumerate(times))
    )
    return folder


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Take sixty gaugings and two days of stage."""
    folder = tmp_path_factory.mktemp("long")
    taken = take(folder / "archive", registers(folder / "registers"), _gaugings(folder / "gaugings"))
    assert taken.all_good, taken.prepared.problems
    return folder / "archive"


def test_a_rating_of_four_segments_and_sixty_gaugings_goes_all_the_way(root, tmp_path):
    """It is adopted with the names of all its gaugings and its covariance, derived from, audited and rebuilt."""
    words = ("--adopt", "LONG", "--valid-from", "2024-10-01T00:00Z", "--by", "H1", "--reason", "sixty gaugings")
    code, out, err = run("rate", SITE, "--segments", "4", *words, root=root)
    assert code == 0, err
    assert "adopted rating LONG" in out
    (rating,) = Archive(root).standing("ratings").to_dict("records")
    assert len(set(rating["gaugings"].split("; "))) == 60
    assert len(rating["gaugings"]) > 2000
    assert np.shape(json.loads(rating["covariance"])) == (12, 12)
    assert len(Archive(root).standing("rating_segments")) == 4
    assert run("derive", SITE, root=root)[0] == 0
    rows = Archive(root).standing("discharge")
    np.testing.assert_allclose(rows["discharge_m3_s"], _discharge(rows["stage_m"].to_numpy()), rtol=0.06)
    assert len(rows) == 49
    code, out, err = run("audit", root=root)
    assert code == 0, out + err
    code, out, err = run("rebuild", "--into", tmp_path / "again", root=root)
    assert code == 0, out + err
    assert re.search(r"files have the digest listed", out)


def test_a_rating_that_would_be_returned_leaves_no_commit(root):
    """Nothing is sealed and no entry is written; the answer says why, and what it says to type next is adopted."""
    before = sorted(root.rglob("*"))
    words = ("--valid-from", "2024-10-01T00:00Z", "--by", "H1", "--reason", "r")
    code, _, err = run("rate", SITE, "--adopt", "a\u200bb", *words, root=root)
    assert code == 1
    assert "column rating" in err
    assert "nothing was written; the archive is unchanged" in err
    assert "--adopt NAME" in err
    assert sorted(root.rglob("*")) == before
    code, out, _ = run("rate", SITE, "--adopt", "a\u200bb", *words, "--format", "json", root=root)
    assert (code, json.loads(out)["adopted"]) == (1, None)
    code, out, err = run("rate", SITE, "--adopt", "AB", *words, root=root)
    assert code == 0, err
