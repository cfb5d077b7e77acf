"""A deposit taken in lots is the deposit taken whole: the same files, the same words."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import stillwell.archive.revisions.identity as identity
import stillwell.pipeline.audit as auditing
import stillwell.prepare.batch as batches
from stillwell.archive.archive import Archive
from stillwell.archive.care import proofs
from stillwell.archive.netcdf import render as netcdf_rendered
from stillwell.archive.tables.table_buffer import TableBuffer, files_of, parts_of
from stillwell.errors import ArchiveError
from stillwell.hydrometry.gauging import profile
from stillwell.pipeline.audit import audit
from stillwell.pipeline.derive import recompute
from stillwell.pipeline.ingest import assess_again, inbox, ingest
from stillwell.pipeline.render import render
from stillwell.prepare.batch import Batch, site_parts
from stillwell.reading.printed.documents import taken_document
from stillwell.reading.printed.summary import taken_lines, taken_words
from tests.benchmarks.bench_large import MOST_GB, large_line
from tests.pipeline.season import registers, sheets

INBOX = Path(__file__).resolve().parents[2] / "sample_archive" / "inbox"


def _still():
    return datetime(2026, 1, 5, 12, tzinfo=UTC)


def _files(root):
    parts = [path for path in root.rglob("*") if path.is_file() and path.parts[-2] != "work"]
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in parts}


def _in_lots(monkeypatch, points):
    monkeypatch.setattr(batches, "AT_ONCE", points)
    monkeypatch.setattr(netcdf_rendered, "MOST_ROWS", points)
    monkeypatch.setattr(identity, "AT_ONCE", points)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Take the invented season in one commit, its largest table at once."""
    root = tmp_path_factory.mktemp("whole") / "archive"
    return root, ingest(root, inbox(INBOX), by="INV-DM", now=_still)


@pytest.mark.parametrize("points", [1, pytest.param(300, marks=pytest.mark.soak)])
def test_every_file_and_word_is_the_same_byte_for_byte(whole, points, tmp_path, monkeypatch):
    """The season has several sites, corrections to another site, and gaugings that only others make doubtful.

    Lines, words and the document of an ingest do not tell how it was taken.
    """
    _in_lots(monkeypatch, points)
    taken = ingest(tmp_path / "archive", inbox(INBOX), by="INV-DM", now=_still)
    assert isinstance(taken.prepared.tables, TableBuffer)
    assert taken.prepared.tables.files
    expected, found = _files(whole[0]), _files(tmp_path / "archive")
    assert set(expected) == set(found)
    assert [path for path in expected if expected[path] != found[path]] == []
    for say in (taken_lines, taken_words, taken_document):
        assert say(taken) == say(whole[1])


STEPS = """[office]
name = "Invented office"
identifier = "invented.example"
[choices]
coefficient_05 = 0.9
[limits]
share_raised_pct = { value = 4.0, source = "office rule 7" }
share_high_pct = { value = 8.0, source = "office rule 8" }
verticals_fewest = { value = [30, 30, 30, 30, 30], source = "office rule 9" }
"""


def _under_a_policy(whole, tmp_path, policy, name):
    """Adopt a policy that touches most gaugings, with sheets of sites old and new in the same commit."""
    at = tmp_path / name
    root = shutil.copytree(whole, at / "archive")
    after = datetime(2026, 1, 6, 12, tzinfo=UTC)
    paths = [policy, registers(at / "registers"), sheets(at / "new", "1", "2")]
    paths += [sheets(at / "known", "3", "4", site="INV-KES", instrument="INV-AC1")]
    return root, ingest(root, paths, by="INV-DM", now=lambda: after)


@pytest.mark.parametrize("all_commits", [False, pytest.param(True, marks=pytest.mark.soak)])
def test_a_policy_is_adopted_in_lots_as_at_once(whole, tmp_path, monkeypatch, all_commits):
    """Revisions of gaugings taken before, and those of the commit itself, stand in the same files byte for byte.

    The audit proves the commit of the policy and its rendering, or all of them.
    """
    policy = tmp_path / "policy.toml"
    policy.write_text(STEPS, encoding="utf-8")
    one, taken = _under_a_policy(whole[0], tmp_path, policy, "one")
    assert taken.all_good
    revised = taken.prepared.tables["gaugings"].query("revision > 1")
    assert len(revised) > 10
    assert revised["site"].nunique() > 2
    _in_lots(monkeypatch, 1)
    again, taken = _under_a_policy(whole[0], tmp_path, policy, "again")
    assert taken.prepared.tables.files
    expected, found = _files(one), _files(again)
    assert set(expected) == set(found)
    assert [path for path in expected if expected[path] != found[path]] == []
    monkeypatch.setattr(auditing, "IN_TIME", 1)
    proved = [audit(again, minutes=None if all_commits else 0) for _ in range(1 if all_commits else 2)]
    assert [report.faults for report in proved] == [()] * len(proved)
    kept = proofs.KeptProofs(Archive(again, complete=True), Archive(again).ledger.entries(), ())
    assert all_commits or set(kept.since) == {taken.entry.number, Archive(again).ledger.head_number()}


def test_another_version_computes_in_lots_as_at_once(whole, tmp_path, monkeypatch):
    """A version that halves what is read at one depth makes the same revisions, however many it holds at a time."""
    true = profile._weights.__wrapped__
    monkeypatch.setattr(profile, "_weights", lambda choices: 0.5 * true(choices))
    after = datetime(2026, 1, 6, 12, tzinfo=UTC)
    files = []
    for points in (2**18, 1):
        _in_lots(monkeypatch, points)
        root = shutil.copytree(whole[0], tmp_path / str(points))
        entry, rows = recompute(root, by="INV-DM", now=lambda: after)
        assert entry.counts["revision"] == len(rows["gaugings"]) > 10
        files.append(_files(root))
    assert bool(rows.files)
    assert files[0] == files[1]


def test_trying_a_policy_in_lots_says_the_same(whole, tmp_path, monkeypatch):
    """What a policy would change is told alike, and nothing is written."""
    before = _files(whole[0])
    said = assess_again(Archive(whole[0]), STEPS)
    assert len(said) > 10
    _in_lots(monkeypatch, 1)
    assert repr(assess_again(Archive(whole[0]), STEPS)) == repr(said)
    assert _files(whole[0]) == before


def test_the_audit_takes_it_again_in_lots(whole, monkeypatch):
    """What was written whole is found good in lots."""
    _in_lots(monkeypatch, 1)
    assert audit(whole[0]).faults == ()


def _batch(counts):
    """Make a batch of gaugings with a site and a number of points each."""
    gaugings = pd.DataFrame({"site": [site for site, _ in counts]})
    g = np.repeat(np.arange(len(counts)), [count for _, count in counts])
    return Batch(gaugings, pd.DataFrame({"g": g}), pd.DataFrame({"g": g[:0]}), pd.DataFrame({"g": g[:0]}))


def test_a_part_is_of_whole_sites_and_no_larger_than_asked_unless_a_site_is():
    """Every gauging is in one part, every site in one part."""
    batch = _batch([("C", 4), ("A", 3), ("B", 9), ("A", 2), ("D", 1), ("C", 1)])
    found = site_parts(batch, 6)
    assert sorted(np.concatenate(found).tolist()) == list(range(6))
    sites = [set(batch.gaugings["site"].iloc[mine]) for mine in found]
    assert sites == [{"A"}, {"B"}, {"C", "D"}]
    assert [len(mine) for mine in site_parts(batch, 20)] == [6]


@pytest.mark.soak
def test_a_season_of_a_country_fits_into_three_gigabytes(tmp_path):
    """200,000 gaugings of 25 verticals are taken in one commit with less than 3 GB of memory at its peak."""
    said = large_line(tmp_path / "large")
    assert float(re.search(r"peak memory ([\d.]+) GB", said)[1]) < MOST_GB, said


def test_a_table_buffer_keeps_rows_for_one_commit_only(whole):
    """Rows made for a commit are not written under another; read back they are the rows put there."""
    rows = whole[1].prepared.tables["verticals"]
    buffer = TableBuffer(7)
    buffer.put("verticals", rows)
    with pytest.raises(ArchiveError, match="expected rows of commit 8, found those of commit 7"):
        files_of(buffer, 8)
    assert [file[0] for file in files_of(buffer, 7)] == sorted(file[0] for file in buffer.files["verticals"])
    key = ["gauging_id", "revision", "vertical"]
    back = buffer["verticals"].sort_values(key).reset_index(drop=True)
    pd.testing.assert_frame_equal(back, rows.sort_values(key).reset_index(drop=True))
    assert sum(len(part) for part in parts_of(buffer, "verticals", key)) == len(rows) == len(buffer["verticals"])


def test_what_cannot_be_rendered_leaves_the_commit_and_files_behind(tmp_path, monkeypatch):
    """NetCDF follows the commit: where it fails the error is told, the rows stand, and the next rendering makes it."""
    root = tmp_path / "archive"
    ingest(root, [registers(tmp_path / "registers")], by="T1", now=_still)

    def full(*_):
        raise OSError(28, "No space left on device", "gaugings.nc")

    with monkeypatch.context() as broken:
        broken.setattr(netcdf_rendered, "gaugings_netcdf", full)
        with pytest.raises(OSError, match="No space left"):
            ingest(root, [sheets(tmp_path / "sheets", "1")], by="T1", now=_still)
    assert Archive(root).ledger.head().reason == "ingest"
    assert len(Archive(root).standing("gaugings")) == 1
    assert not list((root / "work" / "making").iterdir())
    assert "netcdf/S1/gaugings.nc" not in Archive(root).listing()
    assert render(root, by="T1", now=_still).files == ("netcdf/S1/gaugings.nc",)
    assert audit(root).faults == ()
