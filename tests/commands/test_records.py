"""The commands around records, traces, publication and care: what they print, and their exit codes."""

from __future__ import annotations

import json
import shutil
import socket
from pathlib import Path

import pytest

import stillwell
from stillwell.archive.archive import Archive
from stillwell.reading.select.bounds import LONGEST_S
from tests.commands.test_commands import run
from tests.pipeline.season import season, sheets, take

SAMPLE = Path(__file__).resolve().parents[2] / "sample_archive" / "archive"
ID = "INV-KES.20241009T111000Z.INV-AC1"


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Copy the sample archive, since some commands write."""
    return Path(shutil.copytree(SAMPLE, tmp_path_factory.mktemp("copy") / "archive"))


def test_rate_explains_itself_and_adopts_nothing_unasked(root):
    """Segments, limits, tests and each gauging are shown; without who and why nothing is adopted."""
    before = sorted((root / "ledger").glob("*.json"))
    code, out, _ = run("rate", "INV-KES", root=root)
    assert code == 0
    assert "Q = C (h - e)^beta" in out
    assert "excluded by a review" in out or "an unusable finding" in out or "no gauge height" in out
    code, out, err = run("rate", "INV-KES", "--adopt", "B", root=root)
    assert (code, out) == (2, "")
    assert "expected --by, --reason and --valid-from" in err
    assert sorted((root / "ledger").glob("*.json")) == before


def test_a_rating_is_adopted_and_the_record_follows(root):
    """Adopted from a moment on, it is a commit with who and why; derive revises the values it holds for."""
    words = ("--adopt", "INV-KES-B", "--valid-from", "2025-06-01T00:00Z", "--by", "INV-H1", "--reason", "new gaugings")
    code, out, _ = run("rate", "INV-KES", *words, root=root)
    assert code == 0
    assert "adopted rating INV-KES-B" in out
    code, out, _ = run("derive", "INV-KES", root=root)
    assert code == 0
    assert out.startswith("INV-KES  ")
    code, out, _ = run("derive", root=root)
    assert (code, out.split(":")[0]) == (0, "nothing changed")
    question = "SELECT min(time) AS first, count(DISTINCT rating) AS n FROM discharge WHERE revision = 2"
    rows = json.loads(run("query", question, "--format", "json", root=root)[1])
    assert rows == [{"first": "2025-06-01T00:00:00Z", "n": 1}]


def test_shifts_are_proposed_in_sentences():
    """The convention, each gauging, and what is held outside them."""
    code, out, _ = run("rate", "INV-ORM", "--propose", root=SAMPLE)
    assert code == 0
    assert "Q = rating(h + shift)" in out
    assert "the nearest shift is held" in out


@pytest.mark.parametrize("step", ["daily", "monthly", "water-years", "yearly", "duration", "seven-day", "maximum"])
def test_record_answers_at_every_step(step):
    """Each step is a JSON array of rows."""
    code, out, _ = run("record", "INV-KES", "--step", step, "--format", "json", root=SAMPLE)
    assert code == 0
    assert isinstance(json.loads(out), list)


def test_next_ranks_sites_and_says_why():
    """A row per site with a record, sentences, and the sites of which nothing can be said."""
    code, out, err = run("next", root=SAMPLE)
    assert code == 0
    assert "one gauging at" in out
    assert "INV-MIL: nothing can be said" in err


def test_trace_and_report_and_publish(tmp_path):
    """A number leads to sealed bytes; a page and a bag are written."""
    code, out, _ = run("trace", ID, root=SAMPLE)
    assert code == 0
    assert "sealed/" in out
    code, out, _ = run("trace", "--forward", "INV-AC1", "--format", "json", root=SAMPLE)
    assert code == 0
    assert ID in out
    page = tmp_path / "page.html"
    assert run("report", ID, "--output", page, root=SAMPLE)[0] == 0
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert run("publish", "--out", tmp_path / "bag", "--by", "P1", "--day", "2026-01-01", root=SAMPLE)[0] == 0
    assert (tmp_path / "bag" / "bagit.txt").is_file()
    assert run("publish", "--out", tmp_path / "bag", "--by", "P1", root=SAMPLE)[0] == 1


def test_care_of_an_archive(tmp_path):
    """Copies, repair, compaction, rebuilding and auditing in parts say what they did and end with 0."""
    root, copy = season(tmp_path), tmp_path / "copy"
    take(root, sheets(tmp_path / "more", "3"))
    assert run("replicate", "--to", copy, root=root)[0] == 0
    path = next((root / "tables" / "gaugings").rglob("*.parquet"))
    path.write_bytes(b"")
    code, out, _ = run("audit", "--budget", "1000000000", root=root)
    assert code == 1
    assert path.name in out
    code, _, err = run("audit", "--repair-from", copy, "--no-recompute", root=root)
    assert code == 0
    assert path.name in err
    code, out, _ = run("compact", "--most", "1", root=root)
    assert code == 0
    assert "files made into" in out
    code, out, _ = run("rebuild", "--into", tmp_path / "again", root=root)
    assert code == 0, out
    assert "files have the digest listed" in out


def test_water_years_are_a_step_by_that_name():
    """A step water-years gives a row per water year; the name it had before gives the same rows."""
    rows = [
        run("record", "INV-KES", "--step", step, "--format", "json", root=SAMPLE)[1]
        for step in ("water-years", "yearly")
    ]
    assert rows[0] == rows[1]
    archive = Archive(SAMPLE)
    month = int(archive.standing("sites", ["INV-KES"])["water_year_start_month"].iloc[0])
    days = archive.standing("daily", ["INV-KES"])["day"]
    expected = sorted({int(day[:4]) + (int(day[5:7]) >= month > 1) for day in days})
    assert [row["water_year"] for row in json.loads(rows[0])] == expected


def test_a_question_without_rows_says_so_and_one_without_words_too():
    """No rows: the answer is empty on stdout and stderr says so; no question at all is a question error."""
    code, out, err = run("query", "SELECT site FROM sites WHERE site = 'none'", "--format", "json", root=SAMPLE)
    assert (code, json.loads(out)) == (0, [])
    assert "no rows" in err
    code, out, err = run("query", "SELECT site FROM sites", "--format", "json", root=SAMPLE)
    assert "no rows" not in err
    for nothing in ("", "  ", ";"):
        code, out, err = run("query", nothing, root=SAMPLE)
        assert (code, out) == (2, "")
        assert "found none; nothing was run" in err


def test_a_question_that_takes_too_long_is_stopped_in_words():
    """With --seconds a question ends after that time and says so; 60 s is what it may take otherwise."""
    endless = "SELECT count(*) FROM range(100000000) a, range(1000000) b WHERE (a.range * b.range) % 7 = 3"
    code, out, err = run("query", endless, "--seconds", "0.3", root=SAMPLE)
    assert (code, out) == (2, "")
    assert "expected an answer within 0.3 s, found none; the question was stopped and nothing was changed" in err
    assert LONGEST_S == 60
    assert run("query", "SELECT 1", "--seconds", "0", root=SAMPLE)[0] == 2


def test_the_list_of_tables_holds_the_public_ones():
    """SHOW TABLES names each table and its revisions, nothing else, whichever views were made before."""
    archive = Archive(SAMPLE)
    expected = sorted(name + end for name in archive.tables() for end in ("", "_revisions"))
    code, out, _ = run("query", "SHOW TABLES", "--format", "json", root=SAMPLE)
    assert code == 0
    assert [row["name"] for row in json.loads(out)] == expected
    a = stillwell.open(SAMPLE)
    a.sql("SELECT count(*) FROM points")
    assert sorted(a.sql("SHOW TABLES")["name"]) == expected


def test_a_port_that_is_taken_is_said_before_any_address():
    """Where another program listens, serve says so, names no address and opens nothing."""
    with socket.create_server(("127.0.0.1", 0)) as held:
        port = str(held.getsockname()[1])
        code, out, err = run("serve", "--port", port, root=SAMPLE)
    assert (code, out) == (1, "")
    assert "http://" not in err
    assert f"expected a free port to listen on, found none at 127.0.0.1 port {port}" in err
    assert "another program listens there; nothing was opened" in err
