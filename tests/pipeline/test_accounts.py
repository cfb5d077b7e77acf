"""Every row belongs to one commit that explains it: what nobody made is named, though every byte is as written."""

from __future__ import annotations

import shutil
from datetime import timedelta

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.batches.compaction_plan import scattered
from stillwell.archive.readme import schema_documents
from stillwell.archive.writing.compact import compaction
from stillwell.archive.writing.writer import Commit
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import writing
from stillwell.pipeline.ingest import compact
from tests.pipeline.season import NOW, season, sheets, take


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    """Make an archive of two gaugings, and of the calibration of a meter."""
    tmp = tmp_path_factory.mktemp("calibrated")
    root = season(tmp)
    folder = tmp / "calibration"
    folder.mkdir()
    (folder / "calibrations.csv").write_text("instrument,valid_from,slope,intercept\nM1,2025-01-01T00:00Z,0.25,0.01\n")
    assert take(root, folder).all_good
    return root


@pytest.fixture
def root(calibrated, tmp_path):
    """Copy that archive."""
    return shutil.copytree(calibrated, tmp_path / "archive")


def _commit(root, make):
    """Write a commit by hand, made from the writer."""
    with writing(root, by="X", now=NOW, create=False) as writer:
        return writer.commit(make(writer))


def _calibration(writer, **changes):
    """Write the calibration once more, as nobody handed it in."""
    rows = writer.archive.read("calibrations").iloc[:1]
    changes = {"revision": 2, "recorded_at": writer.recorded_at, "slope": 0.5} | changes
    return {"calibrations": rows.assign(**changes).astype(rows.dtypes)}


def _found(root):
    """Audit without computing again; that names rows of commits that can be, and is slow."""
    return [(fault.kind, fault.path, fault.sentence) for fault in audit(root, recompute=False).faults]


def test_an_archive_as_written_is_accounted_for(root, tmp_path):
    """Ingests, renderings and a compaction explain all their rows, also where replaced files are still there."""
    take(root, sheets(tmp_path / "more", "3"))
    assert compact(root, most=1, keep_days=9, by="T1", now=NOW)[0]
    assert {entry.reason for entry in Archive(root).ledger.entries()} == {"ingest", "render", "compaction"}
    assert audit(root).faults == ()


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        ("ingest", "expected deposits that the rows of calibrations follow from, found none"),
        ("render", "expected no rows in a commit of reason render, found rows of calibrations"),
        ("import", "expected one of the reasons ingest, derive, recompute, compaction, render, found 'import'"),
    ],
)
def test_a_row_nobody_made_is_named(root, reason, said):
    """A calibration committed with no deposit is a fault, whatever the commit calls itself."""
    entry = _commit(root, lambda writer: Commit(tables=_calibration(writer), reason=reason))
    (fault,) = _found(root)
    assert fault[:2] == ("rows", f"ledger/{entry.number:08d}.json")
    assert said in fault[2]


def test_a_row_in_a_commit_that_derives_is_computed_again(root):
    """A calibration in the name of a computation does not come out of it."""
    _commit(root, lambda writer: Commit(tables=_calibration(writer), reason="recompute"))
    assert any(fault.kind == "recompute" and "calibrations" in fault.path for fault in audit(root).faults)


def test_deposits_belong_to_an_ingest(root, tmp_path):
    """A commit that only computes takes nothing in."""
    deposit = take(root, sheets(tmp_path / "more", "3")).deposits[0]
    _commit(root, lambda writer: Commit(deposits=[deposit], reason="derive"))
    assert any("expected no deposits in a commit of reason derive" in sentence for _, _, sentence in _found(root))


def test_a_moment_no_commit_has_is_named(root):
    """A row says when it was recorded, and a commit of that moment must list its table; a second too late is not it."""
    registers = Archive(root).ledger.entry(1).recorded_at
    for moment in (registers + timedelta(seconds=1), registers):
        _commit(root, lambda writer, at=moment: Commit(tables=_calibration(writer, recorded_at=at), reason="derive"))
    named = [path for kind, path, sentence in _found(root) if kind == "rows" and "no commit explains" in sentence]
    # the registers' own commit lists no calibrations
    assert named == ["tables/calibrations"] * 2


def _compacted(root, change):
    """Compact by hand, with rows changed on the way."""

    def make(writer):
        made = compaction(writer.archive, scattered(writer.archive, 0), schema_documents())
        tables = {name: rows for name, rows in made.tables.items() if name == "calibrations"}
        replaced = [path for path in made.replaced if "/calibrations/" in path]
        return Commit(tables=change(tables), replaced=replaced, reason="compaction")

    return _commit(root, make)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda rows: {"calibrations": rows["calibrations"].iloc[:0]}, "expected the 1 rows of the files it replaced"),
        (lambda rows: {"calibrations": rows["calibrations"].assign(slope=0.3)}, "found others in their place"),
    ],
)
def test_a_compaction_is_row_for_row(root, change, said):
    """Rows lost or changed by a compaction are named, the latter as long as what it replaced is still there."""
    entry = _compacted(root, change)
    assert [fault[:2] for fault in _found(root)] == [("rows", f"tables/calibrations commit {entry.number}")]
    assert said in _found(root)[0][2]


def test_a_compaction_is_proved_by_its_numbers_once_the_old_files_are_gone(root):
    """Row for row is also as many as before: counts of the ledger outlast the files."""
    _compacted(root, lambda rows: {"calibrations": rows["calibrations"].iloc[:0]})
    for path in Archive(root).ledger.head().replaced:
        (root / path).unlink()
    assert any("expected the 1 rows of the files it replaced" in sentence for _, _, sentence in _found(root))
