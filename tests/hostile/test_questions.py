"""A question reads the archive's tables and does nothing else, within bounds of time, memory and answer."""

from __future__ import annotations

import time

import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.reading.select import sql
from stillwell.reading.select.sql import ask
from tests.pipeline.season import season


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Make an archive of two gaugings beside a file that is none of its business."""
    tmp = tmp_path_factory.mktemp("season")
    (tmp / "secret.csv").write_text("a\n1\n")
    (tmp / "elsewhere").mkdir()
    return Archive(season(tmp))


def _files(archive):
    return {p: p.stat().st_mtime_ns for p in archive.root.parent.rglob("*")}


WRITES = [
    "COPY gaugings TO '{out}'",
    "COPY (SELECT 1) TO '{inside}'",
    "EXPLAIN ANALYZE COPY (SELECT 1) TO '{inside}'",
    "EXPLAIN (ANALYZE) COPY (SELECT 1) TO '{inside}'",
    "EXPLAIN /* x */ ANALYZE COPY (SELECT 1) TO '{inside}'",
    "explain analyze copy (select 1) to '{first}'",
    "EXPLAIN ANALYZE CREATE TABLE t AS SELECT 1",
    "EXPLAIN COPY (SELECT 1) TO '{inside}'",
    "SELECT * FROM query('COPY (SELECT 1) TO ''{inside}''')",
    "SELECT 1; COPY (SELECT 1) TO '{inside}'",
    "CREATE TABLE t AS SELECT 1",
    "CREATE OR REPLACE VIEW gaugings AS SELECT 1",
    "INSERT INTO gaugings SELECT * FROM gaugings",
    "DROP VIEW gaugings",
    "EXPORT DATABASE '{out}'",
    "ATTACH '{out}' AS x",
    "EXPLAIN ANALYZE ATTACH '{inside}' AS x",
    "USE memory",
    "CHECKPOINT",
    "BEGIN",
    "PREPARE p AS SELECT 1",
    "VACUUM",
]
READS = [
    "SELECT * FROM read_csv('/etc/hostname')",
    "SELECT * FROM '/etc/hostname'",
    "SELECT * FROM read_csv('{secret}')",
    "SELECT * FROM read_text('{root}/tables/../ledger/00000001.json')",
    "SELECT * FROM read_blob('{root}/tables/../../secret.csv')",
    "SELECT * FROM read_parquet('{secret}')",
    "SELECT * FROM read_json('{secret}')",
    "SELECT * FROM sniff_csv('{secret}')",
    "SELECT * FROM parquet_metadata('{secret}')",
    "SELECT * FROM glob('/etc/*')",
    "SELECT * FROM glob('{root}/tables/../*')",
    "SELECT * FROM read_blob('/proc/self/environ')",
    "SELECT * FROM read_csv('http://localhost:1/a.csv')",
    "SELECT * FROM sqlite_scan('{secret}', 'a')",
    "SELECT getenv('HOME')",
    "SELECT * FROM answer",
]
SETTINGS = [
    "INSTALL httpfs",
    "LOAD httpfs",
    "LOAD '{secret}'",
    "PRAGMA database_list",
    "PRAGMA enable_profiling",
    "SET threads = 1",
    "SET enable_external_access = true",
    "RESET lock_configuration",
    "CALL pragma_version()",
    "CREATE SECRET (TYPE s3)",
    "",
    ";",
    "SELECT 1; SELECT 2",
]


@pytest.mark.parametrize("question", [*WRITES, *READS, *SETTINGS])
def test_a_question_can_do_nothing_but_read_the_tables(archive, question):
    """Each is refused in words, and no file is made, changed or removed."""
    tables = archive.root / "tables"
    answer = pd.DataFrame({"a": [1]})  # which the database could find here by its name
    before = _files(archive)
    places = {
        "out": archive.root.parent / "elsewhere" / "out",
        "inside": tables / "out.csv",
        "first": sorted(tables.rglob("*.parquet"))[0],
        "secret": archive.root.parent / "secret.csv",
        "root": archive.root,
    }
    with pytest.raises(QueryError):
        ask(archive, question.format(**places))
    assert before == _files(archive), len(answer)


def test_plans_and_catalogue_can_be_read(archive):
    """A plan may be asked for, of a SELECT in any of its forms."""
    for question in ("EXPLAIN SELECT * FROM gaugings", "explain WITH a AS (SELECT 1) FROM a", "EXPLAIN FROM gaugings"):
        assert ask(archive, question).num_rows == 1
    names = ask(archive, "SELECT schema_name, table_name FROM duckdb_tables()").to_pylist()
    assert [name for name in names if name["schema_name"] == "main"] == []


@pytest.mark.parametrize(
    "question",
    [
        "WITH RECURSIVE t AS (SELECT 1 n UNION ALL SELECT n + 1 FROM t) SELECT count(*) FROM t",
        "SELECT count(*) FROM range(100000000000) a, range(1000000) b",
        "SELECT count(*) FROM gaugings_revisions a, range(100000000000) b WHERE hash(b.range) = 1",
    ],
)
def test_a_question_without_end_is_stopped(archive, question):
    """After its time a question is stopped in words, and the next one is answered."""
    begun = time.monotonic()
    with pytest.raises(QueryError, match=r"an answer within 0\.5 s"):
        ask(archive, question, longest_s=0.5)
    assert time.monotonic() - begun < 20
    assert ask(archive, "SELECT 1 AS n").to_pylist() == [{"n": 1}]


@pytest.mark.parametrize(
    "question",
    [
        "SELECT repeat('x', 3000000000) AS x",
        "SELECT length(repeat('x', 400000000 + i::INT)) FROM range(2048) t(i)",
        "SELECT list_resize([1], 1000000000)",
    ],
)
def test_a_question_that_fills_memory_is_refused(archive, question, monkeypatch):
    """What needs more memory than a question may take is refused in words by the system, not by its end."""
    monkeypatch.setattr(sql, "MOST_MEMORY", 512 * 2**20)
    with pytest.raises(QueryError, match="needs at most"):
        ask(archive, question)
    assert ask(archive, "SELECT 1 AS n").to_pylist() == [{"n": 1}]


def test_a_long_answer_is_refused(archive, monkeypatch):
    """An answer longer than is held in memory is refused while it comes, not after."""
    monkeypatch.setattr(sql, "MOST_ANSWER", 2**24)
    with pytest.raises(QueryError, match="an answer of at most 16 MiB"):
        ask(archive, "SELECT * FROM range(10000000000)")


@pytest.mark.parametrize("question", ["SELECT " + "(" * 40_000 + "1" + ")" * 40_000, "SELECT 1 --" + "x" * 200_000])
def test_a_deep_or_long_question_is_refused(archive, question):
    """Brackets within brackets and a question longer than anyone types are refused in words."""
    with pytest.raises(QueryError):
        ask(archive, question)


def test_columns_of_one_name_are_told_apart(archive):
    """Two columns of one name are both answered."""
    assert ask(archive, "SELECT 1 AS a, 2 AS a, 3 AS a_2").to_pylist() == [{"a": 1, "a_2": 2, "a_2_2": 3}]
