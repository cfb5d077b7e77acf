"""An archive computed again on another processor, which rounds the last digits otherwise, is the same archive."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

import stillwell.hydrometry.rating.curve as curves
import stillwell.pipeline.rebuild as rebuilding
from stillwell.archive.archive import Archive
from stillwell.hydrometry.gauging import profile
from stillwell.pipeline.adopt import adopt
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import office_of
from stillwell.pipeline.derive import derive, recompute
from stillwell.pipeline.prove import Prover
from stillwell.pipeline.rebuild import rebuild
from stillwell.prepare import watermarks
from stillwell.reading.printed.summary import audit_json, audit_text
from stillwell.schemas import ARCHIVE_TABLES
from tests.pipeline.season import NOW, registers, season, sheets, take
from tests.reading.recorded_stage import logger, rating


@pytest.fixture(scope="module")
def with_record(tmp_path_factory):
    """Make an archive with gaugings and a record of a day."""
    tmp = tmp_path_factory.mktemp("record")
    root = season(tmp)
    take(root, logger(tmp / "a", "a", 24), render_now=False)
    adopt(root, rating("R1", "2025-01-01T00:00Z", coefficient=9.7), by="H1", now=NOW, render_now=False)
    derive(root, by="H1", now=NOW)
    return root


@pytest.fixture
def archive(with_record, tmp_path):
    """Copy that archive."""
    return shutil.copytree(with_record, tmp_path / "archive")


def _otherwise(monkeypatch, share):
    """Compute every discharge of a record and every velocity of a vertical greater by a share."""
    raised, means = curves._raised, profile._weights.__wrapped__
    monkeypatch.setattr(curves, "_raised", lambda head, power: raised(head, power) * (1 + share))
    profile._weights.cache_clear()
    monkeypatch.setattr(profile, "_weights", lambda choices: means(choices) * (1 + share))


def _derived_by_the_next_number(archive, copy):
    """Derive in a copy by a version that raised its number, so that no record is up to date."""
    shutil.copytree(archive, copy)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(watermarks, "DERIVATION", watermarks.DERIVATION + 1)
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


def _cells_of_other_digits(one, other):
    """Count, cell by cell, the numbers of two archives' tables that are not exactly the same."""
    count = 0
    for table in ARCHIVE_TABLES:
        rows, again = (Archive(root, complete=True).read(table) for root in (one, other))
        for name in rows.select_dtypes("float64"):
            a, b = rows[name].to_list(), again[name].to_list()
            count += sum(x != y and x == x for x, y in zip(a, b, strict=True))
    return count


def test_the_audit_counts_the_numbers_that_are_the_same_only_to_rounding(archive, tmp_path, monkeypatch):
    """As many as differ between the archive's tables and those of a rebuilding there, cell by cell; else none."""
    assert (report := audit(archive)).rounded == 0
    assert "rounding" not in audit_text(report)
    _otherwise(monkeypatch, 2.0**-50)
    rebuild(archive, tmp_path / "again")
    expected = _cells_of_other_digits(archive, tmp_path / "again")
    assert expected > 24
    report = audit(archive)
    assert report.rounded == expected
    sentence = f"{expected} numbers computed again are the same as stored only to rounding"
    assert [line.startswith(sentence) for line in audit_text(report).splitlines() if "rounding" in line] == [True]
    assert json.loads(audit_json(report))["rounded"] == expected


def test_processes_and_lots_count_the_same_numbers(tmp_path, monkeypatch):
    """Commits proved together, each alone, or by several processes have the same numbers of other last digits."""
    with monkeypatch.context() as elsewhere:
        _otherwise(elsewhere, 2.0**-50)
        root = tmp_path / "archive"
        take(root, registers(tmp_path / "registers"))
        for label in ("1", "2"):
            take(root, sheets(tmp_path / label, label), render_now=False)
    profile._weights.cache_clear()
    together = audit(root)
    assert together.faults == ()
    assert together.rounded >= 2
    assert audit(root, processes=2).rounded == together.rounded
    monkeypatch.setattr(Prover, "_sound", lambda self, numbers: {})
    assert audit(root).rounded == together.rounded


def test_a_digit_that_is_no_rounding_is_a_fault(archive, tmp_path, monkeypatch):
    """Numbers that differ by a millionth are named by audit and rebuild, and become revisions."""
    _otherwise(monkeypatch, 1e-6)
    assert {fault.kind for fault in audit(archive).faults} >= {"recompute"}
    assert any("tables/discharge" in path for path in rebuild(archive, tmp_path / "again").different)
    rows = _derived_by_the_next_number(archive, tmp_path / "next")
    assert set(rows["discharge"]["revision"]) == {2}


def _with_another_gauging(archive, tmp_path):
    """Take one more sheet, so that the NetCDF file of the site is replaced."""
    take(archive, sheets(tmp_path / "more", "8"))
    entries = Archive(archive).ledger.entries()
    listed = [f.path for entry in entries for f in entry.files if f.path.endswith("/gaugings.nc")]
    assert len(listed) > len(set(listed))
    return next(path for path in listed if listed.count(path) > 1)


def test_a_file_replaced_since_is_told_apart_beside_others_that_are_rounded(archive, tmp_path, monkeypatch):
    """What another processor made of a file that is gone is neither different nor the same: its values are gone."""
    twice = _with_another_gauging(archive, tmp_path)
    _otherwise(monkeypatch, 2.0**-50)
    made = rebuild(archive, tmp_path / "again")
    assert made.different == ()
    assert any(path.endswith(twice) for path in made.replaced)
    assert any(path.endswith(twice) for path in made.rounded), "the file that stands now is held against its values"


def test_a_file_replaced_since_is_different_where_nothing_is_rounded(archive, tmp_path, monkeypatch):
    """On the same processor other bytes of a file that is gone can only be a fault."""
    twice = _with_another_gauging(archive, tmp_path)
    first = next(e for e in Archive(archive).ledger.entries() if any(f.path == twice for f in e.files))
    honest = rebuilding._rendered_again

    def other(writer, entry):
        if entry.number != first.number:
            return honest(writer, entry)
        with monkeypatch.context() as patch:
            patch.setattr(rebuilding, "office_of", lambda archive: {**office_of(archive), "name": "Another"})
            return honest(writer, entry)

    monkeypatch.setattr(rebuilding, "_rendered_again", other)
    made = rebuild(archive, tmp_path / "again")
    assert (made.rounded, made.replaced) == ((), ())
    assert any(path.endswith(twice) for path in made.different)


def test_a_file_that_stands_and_is_lost_is_different_beside_others_that_are_rounded(archive, tmp_path, monkeypatch):
    """Lost or damaged is not replaced since."""
    _otherwise(monkeypatch, 2.0**-50)
    path = next(path for path in Archive(archive).listing() if path.endswith("/gaugings.nc"))
    (archive / path).unlink()
    made = rebuild(archive, tmp_path / "again")
    assert made.rounded
    assert [name.partition(": ")[2] for name in made.different] == [path]
    assert made.replaced == ()
