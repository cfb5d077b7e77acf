"""An archive computed again on another processor, which rounds the last digits otherwise, is the same archive."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

import stillwell.hydrometry.record as records
from stillwell.adopting import adopt
from stillwell.archive.archive import Archive
from stillwell.audit import audit
from stillwell.deriving import derive, recompute
from stillwell.hydrometry import profile
from stillwell.prepare import marks
from stillwell.rebuild import rebuild
from tests.pipeline.season import NOW, season, take
from tests.reading.recorded_stage import logger, rating


@pytest.fixture
def archive(tmp_path):
    """Make an archive with gaugings and a record of a day."""
    root = season(tmp_path)
    take(root, logger(tmp_path / "a", "a", 24))
    adopt(root, rating("R1", "2025-01-01T00:00Z", coefficient=9.7), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    return root


def _otherwise(monkeypatch, share):
    """Compute every discharge of a record and every velocity of a vertical greater by a share."""
    raised, means = records._raised, profile._weights.__wrapped__
    monkeypatch.setattr(records, "_raised", lambda head, power: raised(head, power) * (1 + share))
    profile._weights.cache_clear()
    monkeypatch.setattr(profile, "_weights", lambda choices: means(choices) * (1 + share))


def _derived_by_the_next_number(archive, copy):
    """Derive in a copy by a version that raised its number, so that no record is up to date."""
    shutil.copytree(archive, copy)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(marks, "DERIVATION", marks.DERIVATION + 1)
        return derive(copy, by="H1", now=NOW)[1]


def test_last_digits_are_no_fault_and_no_change(archive, tmp_path, monkeypatch):
    """With other last digits the audit finds nothing, derive and recompute change nothing, a rebuild is the same."""
    before = Archive(archive).read("discharge")["discharge_m3_s"].to_numpy()
    _otherwise(monkeypatch, 2.0**-50)
    assert audit(archive).faults == ()
    assert recompute(archive, by="H1", now=NOW) == (None, {})
    assert _derived_by_the_next_number(archive, tmp_path / "next") == {}
    made = rebuild(archive, tmp_path / "again")
    after = Archive(tmp_path / "again").read("discharge")["discharge_m3_s"].to_numpy()
    assert not np.array_equal(before, after), "the other processor rounded alike: this test shows nothing"
    assert made.different == ()
    assert any("tables/discharge" in path for path in made.rounded)
    assert any("tables/gaugings" in path for path in made.rounded)


def test_a_digit_that_is_no_rounding_is_a_fault(archive, tmp_path, monkeypatch):
    """Numbers that differ by a millionth are named by audit and rebuild, and become revisions."""
    _otherwise(monkeypatch, 1e-6)
    assert {fault.kind for fault in audit(archive).faults} >= {"recompute"}
    assert any("tables/discharge" in path for path in rebuild(archive, tmp_path / "again").different)
    rows = _derived_by_the_next_number(archive, tmp_path / "next")
    assert set(rows["discharge"]["revision"]) == {2}
