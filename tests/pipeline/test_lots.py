"""A deposit taken in lots is the deposit taken whole: the same files, the same words."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import stillwell.archive.identity as identity
import stillwell.prepare.steps as steps
import stillwell.rendering as rendering
from stillwell.archive.shelf import Shelf, files_of, parts_of
from stillwell.audit import audit
from stillwell.errors import ArchiveError
from stillwell.pipeline import inbox, ingest
from stillwell.prepare.batch import Batch, lots
from stillwell.reading.documents import taken_document
from stillwell.reading.summary import taken_lines, taken_words
from tests.benchmarks.bench_large import MOST_GB, large_line

INBOX = Path(__file__).resolve().parents[2] / "sample_archive" / "inbox"


def _still():
    return datetime(2026, 1, 5, 12, tzinfo=UTC)


def _files(root):
    parts = [path for path in root.rglob("*") if path.is_file() and path.parts[-2] != "work"]
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in parts}


def _in_lots(monkeypatch, points):
    monkeypatch.setattr(steps, "AT_ONCE", points)
    monkeypatch.setattr(rendering, "MOST_ROWS", points)
    monkeypatch.setattr(identity, "AT_ONCE", points)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Take the invented season in one commit, its largest table at once."""
    root = tmp_path_factory.mktemp("whole") / "archive"
    return root, ingest(root, inbox(INBOX), by="INV-DM", now=_still)


@pytest.mark.parametrize("points", [1, 300])
def test_every_file_is_the_same_byte_for_byte(whole, points, tmp_path, monkeypatch):
    """The season has several sites, corrections to another site, and gaugings that only others make doubtful."""
    _in_lots(monkeypatch, points)
    taken = ingest(tmp_path / "archive", inbox(INBOX), by="INV-DM", now=_still)
    assert isinstance(taken.prepared.tables, Shelf)
    assert taken.prepared.tables.files
    expected, found = _files(whole[0]), _files(tmp_path / "archive")
    assert set(expected) == set(found)
    assert [path for path in expected if expected[path] != found[path]] == []


def test_the_same_is_said_of_it(whole, tmp_path, monkeypatch):
    """Lines, words and the document of an ingest do not tell how it was taken."""
    _in_lots(monkeypatch, 1)
    taken = ingest(tmp_path / "archive", inbox(INBOX), by="INV-DM", now=_still)
    for say in (taken_lines, taken_words, taken_document):
        assert say(taken) == say(whole[1])


def test_the_audit_takes_it_again_in_lots(whole, monkeypatch):
    """What was written whole is found good in lots."""
    _in_lots(monkeypatch, 1)
    assert audit(whole[0]).faults == ()


def _batch(counts):
    """Make a batch of gaugings with a site and a number of points each."""
    gaugings = pd.DataFrame({"site": [site for site, _ in counts]})
    g = np.repeat(np.arange(len(counts)), [count for _, count in counts])
    return Batch(gaugings, pd.DataFrame({"g": g}), pd.DataFrame({"g": g[:0]}), pd.DataFrame({"g": g[:0]}))


def test_a_lot_is_of_whole_sites_and_no_larger_than_asked_unless_a_site_is():
    """Every gauging is in one lot, every site in one lot."""
    batch = _batch([("C", 4), ("A", 3), ("B", 9), ("A", 2), ("D", 1), ("C", 1)])
    found = lots(batch, 6)
    assert sorted(np.concatenate(found).tolist()) == list(range(6))
    sites = [set(batch.gaugings["site"].iloc[mine]) for mine in found]
    assert sites == [{"A"}, {"B"}, {"C", "D"}]
    assert [len(mine) for mine in lots(batch, 20)] == [6]


@pytest.mark.soak
def test_a_season_of_a_country_fits_into_three_gigabytes(tmp_path):
    """200,000 gaugings of 25 verticals are taken in one commit with less than 3 GB of memory at its peak."""
    said = large_line(tmp_path / "large")
    assert float(re.search(r"peak memory ([\d.]+) GB", said)[1]) < MOST_GB, said


def test_a_shelf_keeps_rows_for_one_commit_only(whole):
    """Rows made for a commit are not written under another; read back they are the rows put there."""
    rows = whole[1].prepared.tables["verticals"]
    shelf = Shelf(7)
    shelf.put("verticals", rows)
    with pytest.raises(ArchiveError, match="expected rows of commit 8, found those of commit 7"):
        files_of(shelf, 8)
    assert [file[0] for file in files_of(shelf, 7)] == sorted(file[0] for file in shelf.files["verticals"])
    key = ["gauging_id", "revision", "vertical"]
    back = shelf["verticals"].sort_values(key).reset_index(drop=True)
    pd.testing.assert_frame_equal(back, rows.sort_values(key).reset_index(drop=True))
    assert sum(len(part) for part in parts_of(shelf, "verticals", key)) == len(rows) == len(shelf["verticals"])
