"""A command imports only the libraries it needs: each heavy one costs a tenth of a second or more at every start."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.benchmarks.bench_start import GAUGING, SAMPLE
from tests.benchmarks.run import deposit

SCRIPT = """
import sys
from stillwell.cli import app
try:
    app(sys.argv[2:], standalone_mode=False)
finally:
    print(*sorted(set(sys.argv[1].split()) & set(sys.modules)), file=sys.stderr)
"""
ALWAYS = "pandera prefect xarray starlette matplotlib"
TABLES = "pandas pyarrow numpy duckdb"
COMMANDS = [
    (["--help"], f"{ALWAYS} {TABLES} netCDF4 scipy openpyxl pydantic"),
    (["ingest", "--help"], f"{ALWAYS} {TABLES} netCDF4 scipy openpyxl"),
    (["list"], f"{ALWAYS} netCDF4 scipy openpyxl"),
    (["query", "SELECT count(*) FROM points"], f"{ALWAYS} netCDF4 scipy openpyxl"),
    (["show", GAUGING], f"{ALWAYS} duckdb netCDF4 scipy openpyxl"),
    (["trace", GAUGING], f"{ALWAYS} duckdb netCDF4 openpyxl"),
    (["report", GAUGING], f"{ALWAYS} duckdb netCDF4 openpyxl"),
]


def imported(heavy: str, *words: str) -> list[str]:
    """Run a command in a process of its own and return which of some modules it has imported."""
    done = subprocess.run([sys.executable, "-c", SCRIPT, heavy, *words], capture_output=True, text=True, check=True)
    return done.stderr.splitlines()[-1].split()


@pytest.mark.parametrize(("words", "heavy"), COMMANDS, ids=lambda v: " ".join(v[:1]) if isinstance(v, list) else "")
def test_a_command_that_answers_leaves_out_what_it_does_not_need(words, heavy):
    """Neither start-up nor answer imports a library that only other commands use."""
    archive = [] if "--help" in words else ["--archive", str(SAMPLE)]
    assert imported(heavy, *words, *archive) == []


def test_an_ingest_and_an_audit_of_sound_sheets_leave_out_what_they_do_not_need(tmp_path):
    """Pandera is imported for wrong cells only, scipy for records and ratings, DuckDB for many files."""
    folder = deposit(tmp_path / "sheet", 1, 1)
    heavy = f"{ALWAYS} duckdb scipy openpyxl"
    assert imported(heavy, "ingest", str(folder), "--archive", str(tmp_path / "archive")) == []
    assert imported("pandera prefect starlette matplotlib", "audit", "--archive", str(tmp_path / "archive")) == []
