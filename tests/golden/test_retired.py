"""Rows of earlier archives have the columns that stand in the place of retired ones, however they are read."""

from __future__ import annotations

import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pyarrow.parquet as pq
import pytest

import stillwell
from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import RightClock
from stillwell.pipeline.ingest import compact, ingest
from stillwell.reading.select.sql import ask
from tests.pipeline.season import clock, sheets

LATER = datetime(2030, 1, 1, tzinfo=UTC)
HERE = Path(__file__).parent


@pytest.fixture(params=["1.1", "1.2", "1.3", "2.0_first"])
def root(request, tmp_path):
    """Unpack an archive of an earlier day, whose gaugings carry one of four words in a column ``quality``."""
    with zipfile.ZipFile(HERE / f"archive_{request.param}.zip") as archive:
        archive.extractall(tmp_path / "archive")
    return tmp_path / "archive"


def _expected(root):
    """Judge each row of the Parquet files by itself: half of the larger expanded uncertainty against the limits."""
    rows = {}
    for path in sorted((root / "tables" / "gaugings").rglob("*.parquet")):
        for row in pq.ParquetFile(path).read().to_pylist():
            assert "quality" in row
            larger = max(row[f"uncertainty_{kind}_pct"] or 0.0 for kind in ("table", "scatter")) / 2
            word = next((limit for limit in ("2", "5", "8") if larger <= float(limit)), "beyond")
            rows[(row["gauging_id"], row["revision"], row["status"])] = word
    assert len(rows) > 1
    return rows


def _by_row(rows):
    return {(row["gauging_id"], row["revision"], row["status"]): row["within_pct"] for row in rows}


def test_every_way_of_reading_says_the_same(root):
    """The frame, some columns alone, the opened archive and SQL, now and as it stood."""
    expected = _expected(root)
    archive = Archive(root)
    columns = ["gauging_id", "revision", "status", "within_pct"]
    assert _by_row(archive.read("gaugings").to_dict("records")) == expected
    assert _by_row(archive.read("gaugings", columns=columns).to_dict("records")) == expected
    opened = stillwell.open(root)
    assert _by_row(opened.gaugings(columns=columns, revisions=True).to_dict("records")) == expected
    asked = ask(archive, "SELECT gauging_id, revision, status, within_pct FROM gaugings_revisions").to_pylist()
    assert _by_row(asked) == expected
    then = archive.ledger.entry(2).recorded_at
    early = ask(archive.at(then), "SELECT * FROM gaugings_revisions").to_pylist()
    assert 0 < len(early) < len(asked)
    assert _by_row(early).items() <= expected.items()
    word = next(iter(set(expected.values())))
    mine = opened.gaugings(within_pct=word, revisions=True)
    assert len(mine) == sum(one == word for one in expected.values())
    assert "quality" not in opened.gaugings().columns


def test_rows_of_both_kinds_stand_side_by_side(root, tmp_path):
    """A gauging that comes later adds to the words of the earlier ones; packing together changes none."""
    expected = _expected(root)
    ingest(root, [sheets(tmp_path / "more", "7")], by="T2", now=RightClock(clock(LATER)))
    question = "SELECT gauging_id, revision, status, within_pct FROM gaugings_revisions"
    mixed = _by_row(ask(Archive(root), question).to_pylist())
    assert expected.items() < mixed.items()
    assert None not in mixed.values()
    compact(root, by="T2", now=RightClock(clock(datetime(2030, 1, 2, tzinfo=UTC))))
    assert _by_row(ask(Archive(root), question).to_pylist()) == mixed
    assert _by_row(Archive(root).read("gaugings").to_dict("records")) == mixed
