"""Archives written by earlier versions are read for ever."""

from __future__ import annotations

import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import RightClock
from stillwell.errors import NotAnArchive
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import ingest
from stillwell.reading.printed.show import show_gauging
from stillwell.reading.select.sql import ask
from tests.pipeline.season import clock, sheets

LATER = datetime(2030, 1, 1, tzinfo=UTC)
GOLDEN = sorted(Path(__file__).parent.glob("archive_*.zip"))


LONG = "archive_1.3_long"
"""The archive of more than 100 commits; to compute all of it again takes half a minute."""


SHORT = [path for path in GOLDEN if path.stem != LONG]
FIRST_AND_LAST = [SHORT[0], *(pytest.param(path, marks=pytest.mark.soak) for path in SHORT[1:-1]), SHORT[-1]]
"""Archives of few commits, of which those of the oldest and the newest version run with every test."""


@pytest.fixture(params=GOLDEN, ids=lambda p: p.stem)
def root(request, tmp_path):
    """Unpack an archive of an earlier day."""
    return _unpacked(request.param, tmp_path)


@pytest.fixture(params=SHORT, ids=lambda p: p.stem)
def short(request, tmp_path):
    """Unpack an archive of few commits."""
    return _unpacked(request.param, tmp_path)


@pytest.fixture
def long(tmp_path):
    """Unpack the archive with a checkpoint."""
    return _unpacked(Path(__file__).parent / f"{LONG}.zip", tmp_path)


def _unpacked(packed, folder):
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(folder / "archive")
    return folder / "archive"


def test_every_version_has_one():
    """The archive of each schema version is kept, one with a checkpoint, and one of the first rendering of 2.0."""
    assert {"archive_1.1", "archive_1.2", "archive_1.3", LONG, "archive_2.0_first"} <= {path.stem for path in GOLDEN}


def test_a_checkpoint_of_an_earlier_day_is_read(long):
    """The listing after 104 commits comes from the checkpoint after 100; a moved gauging stands at its second site."""
    archive = Archive(long)
    assert archive.ledger.head_number() == 104
    assert [path.name for path in sorted((long / "ledger" / "checkpoints").iterdir())] == [
        "00000100.grown.json",
        "00000100.json",
    ]
    assert archive.ledger.chain_faults() == []
    moved = archive.standing("gaugings", ["S2"])
    assert moved["gauging_id"].tolist() == ["S1.20250509T100000Z.M1"]
    assert archive.links() == [("S1", "S2")]
    # 10 (1.5 - 0.5)^2 m3/s at every hour of two days
    assert archive.standing("daily", ["S1"])["mean_m3_s"].dropna().round(9).tolist() == [10.0, 10.0]


@pytest.mark.soak
@pytest.mark.parametrize("processes", [1, 2])
def test_a_long_archive_of_an_earlier_day_is_proved_whole(long, processes):
    """Every row of its 104 commits comes out the same computed again, whoever computes it."""
    _proved_whole(long, processes)


@pytest.mark.parametrize("short", FIRST_AND_LAST, ids=lambda p: p.stem, indirect=True)
@pytest.mark.parametrize("processes", [1, pytest.param(2, marks=pytest.mark.soak)])
def test_an_archive_of_an_earlier_day_is_proved_as_it_lies(short, processes):
    """Tables and columns of later versions are absent from it, and an audit of every part finds no fault."""
    _proved_whole(short, processes)


@pytest.mark.parametrize("short", FIRST_AND_LAST, ids=lambda p: p.stem, indirect=True)
def test_an_archive_of_an_earlier_day_is_proved_without_its_rows_at_hand(short, monkeypatch):
    """An audit that reads rows as it needs them, as of a large archive, finds no fault either."""
    monkeypatch.setattr("stillwell.pipeline.audit.MOST_ROWS", 0)
    _proved_whole(short, 1)


def _proved_whole(root, processes):
    """Audit an archive to which nothing was added: every listed row is held, every judged commit computed again."""
    rows = sum(file.rows for file in Archive(root).listing().values() if file.table)
    report = audit(root, processes=processes)
    assert report.faults == ()
    assert report.counts["rows held against their schemas"] == rows > 100
    unproved = [line for line in report.remarks if "not computed again" in line]
    assert all("did not keep" in line for line in unproved)
    assert unproved or report.counts["rows computed again"] == rows


def test_an_archive_of_an_earlier_day_answers(root):
    """Its rows, past states and sheets read as on the day it was written: values worked out by hand.

    Area ``0.3 + 0.5 + 0.6 + 0.5 + 0.3 = 2.2`` m2 at 0.4 m/s, then the second one again at 0.5 m/s.
    """
    question = "SELECT discharge_m3_s AS q, status FROM gaugings WHERE site = 'S1' ORDER BY started_at"
    now = [(round(r["q"], 9), r["status"]) for r in ask(Archive(root), question).to_pylist()]
    assert now == [(0.88, "approved"), (1.1, "provisional")]
    then = ask(Archive(root).at(Archive(root).ledger.entry(2).recorded_at), question).to_pylist()
    assert [(round(r["q"], 9), r["status"]) for r in then] == [(0.88, "provisional"), (0.88, "provisional")]
    assert "0.880" in show_gauging(Archive(root), "S1.20250501T100000Z.M1")


def test_its_bytes_are_proved_and_it_takes_more(root, tmp_path):
    """Digests, chain and sealed bytes hold, and a later version adds to it without touching what is there."""
    assert audit(root, recompute=False).faults == ()
    kept = len(Archive(root).standing("gaugings"))
    before = {p: p.read_bytes() for p in (root / "tables").rglob("*.parquet")}
    ingest(root, [sheets(tmp_path / "more", "7")], by="T2", now=RightClock(clock(LATER)))
    assert len(Archive(root).standing("gaugings")) == kept + 1
    assert all(path.read_bytes() == data for path, data in before.items())


@pytest.mark.parametrize("short", FIRST_AND_LAST, ids=lambda p: p.stem, indirect=True)
def test_it_takes_a_column_it_does_not_describe_and_is_proved_whole(short, tmp_path):
    """A result with its greatest depth, a column of schema 1.3, goes in; computed again nothing is found wrong."""
    folder = tmp_path / "result"
    folder.mkdir()
    (folder / "gaugings.csv").write_text(
        "gauging,site,started_at,ended_at,method,discharge_m3_s,mean_depth_m,max_depth_m\n"
        "R,S1,2025-09-01T10:00Z,2025-09-01T11:00Z,moving-boat profiler,3.3,0.5,0.9\n"
    )
    kept, before = bool(Archive(short).ledger.entry(1).shipped_policy), len(Archive(short).standing("gaugings"))
    assert ingest(short, [folder], by="T2", now=RightClock(clock(LATER))).all_good
    rows = Archive(short).standing("gaugings").sort_values("started_at")
    assert rows["max_depth_m"].iloc[-1] == 0.9
    assert rows["handed_in_max_depth_m"].tolist()[-1] == 0.9
    assert rows["handed_in_max_depth_m"].isna().sum() == before >= 2
    report = audit(short)
    assert report.faults == ()
    assert any("did not keep" in line for line in report.remarks) == (not kept)


def test_an_archive_of_a_later_kind_is_refused(root):
    """A newer major version is neither read nor written, and the words say so."""
    newest = sorted((root / "ledger").glob("*.json"))[-1]
    entry = Archive(root).ledger.head()
    newest.write_bytes(type(entry)(**(vars(entry) | {"schema_version": "3.0"})).to_json())
    with pytest.raises(NotAnArchive, match="newer stillwell"):
        Archive(root)
