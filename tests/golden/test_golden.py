"""Archives written by earlier versions are read for ever."""

from __future__ import annotations

import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.clock import RightClock
from stillwell.audit import audit
from stillwell.errors import NotAnArchive
from stillwell.pipeline import ingest
from stillwell.reading.show import show_gauging
from stillwell.reading.sql import ask
from tests.pipeline.season import clock, sheets

LATER = datetime(2030, 1, 1, tzinfo=UTC)
GOLDEN = sorted(Path(__file__).parent.glob("archive_*.zip"))


@pytest.fixture(params=GOLDEN, ids=lambda p: p.stem)
def root(request, tmp_path):
    """Unpack an archive of an earlier day."""
    with zipfile.ZipFile(request.param) as packed:
        packed.extractall(tmp_path / "archive")
    return tmp_path / "archive"


def test_there_is_one():
    """At least the first version's archive is kept."""
    assert "archive_1.1" in [path.stem for path in GOLDEN]


def test_an_archive_of_an_earlier_day_answers(root):
    """Its rows, past states and sheets read as on the day it was written: values worked out by hand.

    Area ``0.3 + 0.5 + 0.6 + 0.5 + 0.3 = 2.2`` m2 at 0.4 m/s, then the second one again at 0.5 m/s.
    """
    question = "SELECT discharge_m3_s AS q, status FROM gaugings ORDER BY started_at"
    now = [(round(r["q"], 9), r["status"]) for r in ask(Archive(root), question).to_pylist()]
    assert now == [(0.88, "approved"), (1.1, "provisional")]
    then = ask(Archive(root), question, Archive(root).ledger.entry(2).recorded_at).to_pylist()
    assert [(round(r["q"], 9), r["status"]) for r in then] == [(0.88, "provisional"), (0.88, "provisional")]
    assert "0.880" in show_gauging(Archive(root), "S1.20250501T100000Z.M1")


def test_its_bytes_are_proved_and_it_takes_more(root, tmp_path):
    """Digests, chain and sealed bytes hold, and a later version adds to it without touching what is there."""
    assert audit(root, recompute=False).faults == ()
    before = {p: p.read_bytes() for p in (root / "tables").rglob("*.parquet")}
    ingest(root, [sheets(tmp_path / "more", "7")], by="T2", now=RightClock(clock(LATER)))
    assert len(Archive(root).standing("gaugings")) == 3
    assert all(path.read_bytes() == data for path, data in before.items())


def test_it_takes_a_column_it_does_not_describe_and_is_proved_whole(root, tmp_path):
    """A result with its greatest depth, a column of schema 1.3, goes in; computed again nothing is found wrong."""
    folder = tmp_path / "result"
    folder.mkdir()
    (folder / "gaugings.csv").write_text(
        "gauging,site,started_at,ended_at,method,discharge_m3_s,mean_depth_m,max_depth_m\n"
        "R,S1,2025-09-01T10:00Z,2025-09-01T11:00Z,moving-boat profiler,3.3,0.5,0.9\n"
    )
    kept = bool(Archive(root).ledger.entry(1).shipped_policy)
    assert ingest(root, [folder], by="T2", now=RightClock(clock(LATER))).all_good
    rows = Archive(root).standing("gaugings").sort_values("started_at")
    assert rows["max_depth_m"].iloc[-1] == 0.9
    assert rows["handed_in_max_depth_m"].tolist()[-1] == 0.9
    assert rows["handed_in_max_depth_m"].isna().sum() == 2
    report = audit(root)
    assert report.faults == ()
    assert any("did not keep" in line for line in report.remarks) == (not kept)


def test_an_archive_of_a_later_kind_is_refused(root):
    """A newer major version is neither read nor written, and the words say so."""
    newest = sorted((root / "ledger").glob("*.json"))[-1]
    entry = Archive(root).ledger.head()
    newest.write_bytes(type(entry)(**(vars(entry) | {"schema_version": "2.0"})).to_json())
    with pytest.raises(NotAnArchive, match="newer stillwell"):
        Archive(root)
