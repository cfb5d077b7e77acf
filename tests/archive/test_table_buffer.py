"""Rows of a commit laid away as the files they become."""

from __future__ import annotations

import pytest

from stillwell.archive.tables.table_buffer import TableBuffer, files_of, parts_of
from stillwell.errors import ArchiveError


@pytest.fixture
def buffer(rows):
    """Lay away gaugings of two sites one after the other, sites beside, and nothing of points."""
    made = TableBuffer(7)
    made.put("gaugings", rows("gaugings", 2, site="alder", gauging_id=["a1", "a2"]))
    made.put("gaugings", rows("gaugings", 1, site="birch", gauging_id=["b1"]))
    made.put("points", rows("points", 0))
    made.frames["sites"] = rows("sites", 2, site=["alder", "birch"])
    return made


def test_what_was_laid_away_is_read_back(buffer):
    """By table, by site, in parts and as frames; a table of which no row was put is not there."""
    assert sorted(buffer) == ["gaugings", "sites"]
    assert len(buffer) == 2
    assert "points" not in buffer
    assert buffer.sites("gaugings") == {"alder", "birch"}
    assert buffer["gaugings"]["gauging_id"].tolist() == ["a1", "a2", "b1"]
    assert buffer.rows("gaugings", ["birch"], ["gauging_id"]).to_dict("list") == {"gauging_id": ["b1"]}
    assert [part["gauging_id"].tolist() for part in parts_of(buffer, "gaugings", ["gauging_id"])] == [
        ["a1", "a2"],
        ["b1"],
    ]
    assert [part["site"].tolist() for part in parts_of(buffer, "sites", ["site"])] == [["alder", "birch"]]
    assert list(parts_of(buffer, "points", ["gauging_id"])) == []


def test_its_files_are_those_of_the_rows_written_at_once(buffer, rows):
    """The files of all tables by name, with the frames beside; for another commit they are refused."""
    assert [path.split("/")[1] for path, _, _ in files_of(buffer, 7)] == ["gaugings"] * 2 + ["sites"] * 2
    with pytest.raises(ArchiveError, match="expected rows of commit 8, found those of commit 7"):
        files_of(buffer, 8)
    plain = {"sites": rows("sites", 2, site=["alder", "birch"])}
    assert [data for _, data, _ in files_of(plain, 7)] == [data for _, data, _ in files_of(buffer, 7)[2:]]
