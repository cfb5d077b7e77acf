"""The commands: what goes to stdout, what to stderr, and the exit codes."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.cli import app
from stillwell.reading.printed.listing import listing
from tests.pipeline.season import registers, season, sheets

SAMPLE = Path(__file__).parents[2] / "sample_archive" / "archive"
ID = "S1.20250501T100000Z.M1"


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Make an archive of two gaugings."""
    return season(tmp_path_factory.mktemp("season"))


def run(*words, root=None):
    """Run a command; split what it said into exit code, stdout and stderr."""
    said = [str(word) for word in words] + (["--archive", str(root)] if root else [])
    done = CliRunner().invoke(app, said, catch_exceptions=False)
    return done.exit_code, done.stdout, done.stderr


def test_ingest_prints_a_line_per_gauging_and_its_findings(tmp_path):
    """Each gauging has its line with the discharge, then its findings; exit 0."""
    registers(tmp_path / "registers")
    sheets(tmp_path / "sheets", "1")
    code, out, err = run("ingest", tmp_path / "registers", tmp_path / "sheets", root=tmp_path / "archive")
    lines = out.splitlines()
    assert code == 0
    assert lines[0].split()[:3] == ["taken", ID, "0.8800"]
    assert any("verticals-few" in line for line in lines[1:])
    assert "2 deposits sealed" in err


def test_ingest_of_something_bad_exits_1_and_says_why(tmp_path):
    """What is returned is said with place, expected, found and consequence; exit 1."""
    code, out, err = run("ingest", sheets(tmp_path / "sheets", "1"), root=tmp_path / "archive")
    assert (code, out) == (1, "")
    assert "sheets/gaugings.csv, line 2, column site, gauging 1" in err
    assert "expected the code of a site in the register sites" in err
    assert "nothing of it was taken" in err


def test_wrong_calls_exit_2(tmp_path, root):
    """A path that is not there, a folder that is no archive, a question that writes: exit 2, nothing on stdout."""
    calls = [
        ("ingest", tmp_path / "nowhere", "--archive", tmp_path / "archive"),
        ("list", "--archive", tmp_path),
        ("show", "S1.19990101T000000Z", "--archive", root),
        ("query", "DROP VIEW gaugings", "--archive", root),
        ("query", "SELECT * FROM nothing", "--archive", root),
        ("query", "SELECT 1", "--as-of", "2025-05-01", "--archive", root),
        ("list", "things", "--archive", root),
    ]
    for call in calls:
        code, out, err = run(*call)
        assert (code, out) == (2, ""), call
        assert err.strip(), call


@pytest.mark.parametrize("what", ["gaugings", "sites", "instruments", "checks", "deposits", "commits"])
def test_list(root, what):
    """Every list can be asked for, in every format."""
    code, out, _ = run("list", what, "--format", "json", root=root)
    assert code == 0
    assert isinstance(json.loads(out), list)
    assert run("list", what, root=root)[0] == 0


def test_list_can_be_narrowed_to_a_site(root):
    """Gaugings of one site only; a site that holds none gives an empty list."""
    assert ID in run("list", "--site", "S1", root=root)[1]
    assert json.loads(run("list", "--site", "S'2", "--format", "json", root=root)[1]) == []


def test_show_holds_what_a_person_would_check(root):
    """The page names discharge, verticals, gauge height, findings with source, revisions and the caution."""
    code, out, _ = run("show", ID, root=root)
    assert code == 0
    for words in (
        "0.8800 m3/s",
        "one point 0.6",
        "gauge height",
        "verticals-few",
        "as remembered",
        "first handed in",
        "ice kill",
    ):
        assert words in out


SELECT = "SELECT gauging_id, started_at, discharge_m3_s, instrument FROM gaugings ORDER BY 1"


def test_query_formats_agree(root, tmp_path):
    """The same rows in table, CSV, JSON and Parquet."""
    rows = json.loads(run("query", SELECT, "--format", "json", root=root)[1])
    assert [row["gauging_id"] for row in rows] == [ID, "S1.20250502T100000Z.M1"]
    table = list(csv.DictReader(io.StringIO(run("query", SELECT, "--format", "csv", root=root)[1])))
    assert [row["gauging_id"] for row in table] == [row["gauging_id"] for row in rows]
    assert float(table[0]["discharge_m3_s"]) == rows[0]["discharge_m3_s"]
    assert table[0]["started_at"] == rows[0]["started_at"] == "2025-05-01T10:00:00Z"
    out = tmp_path / "answer.parquet"
    assert run("query", SELECT, "--format", "parquet", "--output", out, root=root)[0] == 0
    assert duckdb.sql(f"SELECT gauging_id FROM '{out}'").fetchall() == [(row["gauging_id"],) for row in rows]
    assert ID in run("query", SELECT, root=root)[1]


def test_text_that_a_spreadsheet_would_run_is_defused(root):
    """A cell that starts like a formula is written with an apostrophe before it in CSV."""
    out = run("query", "SELECT '=1+1' AS a, -1 AS b", "--format", "csv", root=root)[1]
    assert out.splitlines()[1] == "'=1+1,-1"


@pytest.mark.parametrize(
    "question",
    [
        "SELECT * FROM read_csv('/etc/passwd')",
        "SELECT * FROM '/etc/passwd'",
        "COPY gaugings TO 'x.csv'",
        "SELECT 1; SELECT 2",
        "ATTACH 'x.db'",
        "SET enable_external_access = true",
        "INSTALL httpfs",
        "PRAGMA version",
        "SELECT getenv('HOME')",
    ],
)
def test_a_question_reads_the_archive_and_nothing_else(root, question):
    """No other file is read, nothing is written, no setting changed."""
    code, out, _ = run("query", question, root=root)
    assert (code, out) == (2, "")


def test_as_of_shows_what_was_known_then(root):
    """Before the first sheet was recorded there was no gauging."""
    rows = json.loads(run("query", "SELECT recorded_at FROM gaugings", "--format", "json", root=root)[1])
    first = min(row["recorded_at"] for row in rows)
    assert json.loads(run("query", SELECT, "--as-of", "2000-01-01T00:00Z", "--format", "json", root=root)[1]) == []
    assert len(json.loads(run("query", SELECT, "--as-of", first, "--format", "json", root=root)[1])) == 2


def test_audit_exits_1_and_names_the_file(root, tmp_path):
    """A sound archive exits 0; one changed byte exits 1 with the path."""
    import shutil

    assert run("audit", root=root)[0] == 0
    damaged = shutil.copytree(root, tmp_path / "damaged")
    path = next((damaged / "tables" / "points").rglob("*.parquet"))
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    code, out, _ = run("audit", "--format", "json", root=damaged)
    assert code == 1
    assert path.relative_to(damaged).as_posix() in {fault["path"] for fault in json.loads(out)["faults"]}


def test_commands_never_import_prefect_and_help_imports_no_tables():
    """``--help`` needs none of the heavy libraries, and no command needs Prefect."""
    code = (
        "import sys\nfrom typer.testing import CliRunner\nfrom stillwell.cli import app\n"
        "assert CliRunner().invoke(app, ['--help']).exit_code == 0\n"
        "print(sorted({'pandas', 'pyarrow', 'pandera', 'netCDF4', 'prefect', 'duckdb'} & set(sys.modules)))\n"
        "import stillwell.pipeline.ingest, stillwell.pipeline.audit, stillwell.reading.select.sql\n"
        "print('prefect' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["[]", "False"]


def test_commits_without_a_deposit_are_listed():
    """Commits that derive and render have no deposit and are listed with their reason, but not as of before them."""
    rows = listing(Archive(SAMPLE), "commits").to_pylist()
    assert [(row["commit"], row["reason"], row["deposits"]) for row in rows] == [
        (1, "ingest", 8),
        (2, "ingest", 11),
        (3, "derive", 0),
        (4, "render", 0),
    ]
    assert [row["gaugings_taken"] for row in rows] == [51, 4, 0, 0]
    assert len(listing(Archive(SAMPLE).at(rows[1]["recorded_at"]), "commits")) == 2
