"""Questions one after the other in one database: each sees its tables, whatever was asked before."""

from __future__ import annotations

from pathlib import Path

import pytest

import stillwell
from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.reading.select.sql import ask, named_in

SAMPLE = Path(__file__).parents[2] / "sample_archive" / "archive"
TABLES = ["daily", "gaugings", "sites", "stage"]


@pytest.mark.parametrize(
    ("question", "named"),
    [
        ("SELECT * FROM daily", ["daily"]),
        ('SELECT * FROM "Daily" JOIN sites USING (site)', ["daily", "sites"]),
        ("SELECT * FROM gaugings_revisions", ["gaugings"]),
        ("SELECT 1", None),
        ("SELECT view_name FROM duckdb_views(), daily", None),
        ("FROM (SHOW TABLES), stage", None),
        ("SELECT * FROM dailyx", None),
    ],
)
def test_the_tables_a_question_names_are_seen(question, named):
    """Tables are found by their names as words; all are needed where none is named or the catalogue is asked."""
    assert named_in(question, TABLES) == named


def test_a_table_named_in_pieces_is_found():
    """A name put together by the question itself is answered as one written out."""
    plain = ask(Archive(SAMPLE), "SELECT count(*) AS n FROM daily")
    built = ask(
        Archive(SAMPLE),
        "SELECT n FROM query('SELECT count(*) AS n FROM ' || 'dai' || 'ly'), (SELECT 1 FROM sites LIMIT 1)",
    )
    assert plain.to_pylist() == built.to_pylist()


def test_the_catalogue_names_every_table():
    """Asked which views there are, the database names each table and its revisions, whatever was asked before."""
    opened = stillwell.open(SAMPLE)
    opened.sql("SELECT * FROM sites")
    question = "SELECT view_name FROM duckdb_views() WHERE NOT internal AND view_name[1] <> '_' ORDER BY view_name"
    tables = Archive(SAMPLE).tables()
    assert opened.sql(question)["view_name"].tolist() == sorted([*tables, *(f"{name}_revisions" for name in tables)])


def test_an_error_names_the_tables_near_by_and_spoils_nothing():
    """A misspelt table is answered with the one meant, and the next question is answered as if nothing had been."""
    opened = stillwell.open(SAMPLE)
    assert len(opened.sql("SELECT * FROM sites")) == 4
    with pytest.raises(QueryError, match="gaugings"):
        opened.sql("SELECT * FROM gauging")
    assert opened.sql("SELECT count(*) AS n FROM gaugings")["n"].tolist() == [len(Archive(SAMPLE).standing("gaugings"))]


def test_a_session_keeps_to_the_moment_of_its_archive():
    """An archive opened as of a moment answers from it every time, whatever moment was asked in between."""
    opened = stillwell.open(SAMPLE, as_of="2025-10-15T12:00Z")
    question = "SELECT count(*) FILTER (status = 'approved') AS approved, count(*) AS n FROM gaugings"
    counts = [opened.sql(question, as_of=at).iloc[0].tolist() for at in (None, "2026-01-01T00:00Z", None)]
    assert counts == [[0, 51], [7, 53], [0, 51]]


def test_rows_revised_stand_once():
    """Of a table whose rows were revised only the newest stands; of one that never was, every row does."""
    opened = stillwell.open(SAMPLE)
    for table in ("daily", "stage", "gauge_heights", "reviews", "deposits"):
        expected = len(Archive(SAMPLE).standing(table))
        assert opened.sql(f"SELECT count(*) AS n FROM {table}")["n"].tolist() == [expected]
