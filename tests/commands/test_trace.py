"""`trace` of records at the command line: a day as two words or one, a moment, and what rests on a rating."""

from __future__ import annotations

import json

import pytest

from tests.commands.test_commands import run
from tests.reading.recorded_stage import stages


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Make an archive with a record."""
    return stages(tmp_path_factory.mktemp("stages")).archive.root


def test_a_day_in_two_words_or_one(root):
    """Both ways of writing a site and its day lead to the same answer, which ends in sealed bytes."""
    code, out, _ = run("trace", "S1", "2025-05-02", root=root)
    assert code == 0
    assert out == run("trace", "S1/2025-05-02", root=root)[1]
    assert "daily mean of 2025-05-02 at S1" in out
    assert "sealed/" in out


def test_forward_from_a_rating_as_json(root):
    """The records that rest on the second rating, each with its span and its commit."""
    code, out, _ = run("trace", "--forward", "R2", "--format", "json", root=root)
    assert code == 0
    said = json.loads(out)
    records = {node["id"]: node["details"] for node in said["nodes"] if node["kind"] == "record"}
    assert {"record:S1/12/daily", "record:S1/12/discharge"} == set(records)
    assert records["record:S1/12/discharge"]["from"] == "2025-05-02T12:00:00.000000Z"
    edges = {(edge["from"], edge["to"]) for edge in said["edges"]}
    assert ("record:S1/12/daily", "commit:12") in edges


def test_a_day_that_is_not_there_is_a_wrong_call(root):
    """Exit code 2, and words on what the record holds."""
    code, out, err = run("trace", "S1", "2031-01-01", root=root)
    assert (code, out) == (2, "")
    assert "2025-05-01 to 2025-05-03" in err
