"""A command imports only the libraries it needs: each heavy one costs a tenth of a second or more at every start."""

from __future__ import annotations

import os
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
ALWAYS = "pandera prefect xarray starlette matplotlib pydantic rich"
TABLES = "pandas pyarrow numpy duckdb"
WRITING = "netCDF4 scipy openpyxl"
OTHERS = "stillwell.commands.intake stillwell.commands.records stillwell.commands.maintenance"
COMMANDS = [
    (["--help"], f"{ALWAYS} {TABLES} {WRITING}"),
    (["--version"], f"{ALWAYS} {TABLES} {WRITING} {OTHERS} stillwell.commands.query"),
    (["ingest", "--help"], f"{ALWAYS} {TABLES} {WRITING} stillwell.commands.query"),
    (["list"], f"{ALWAYS} {WRITING} {OTHERS} pandas"),
    (["list", "sites", "--format", "csv"], f"{ALWAYS} {WRITING} {OTHERS} pandas"),
    (["query", "SELECT count(*) FROM points"], f"{ALWAYS} {WRITING} {OTHERS} pandas"),
    (["query", "SELECT * FROM gaugings", "--as-of", "2026-03-31T23:59Z"], f"{ALWAYS} {WRITING} {OTHERS} pandas"),
    (["show", GAUGING], f"{ALWAYS} {WRITING} {OTHERS} duckdb"),
    (["trace", GAUGING], f"{ALWAYS} {OTHERS} duckdb netCDF4 openpyxl"),
    (["report", GAUGING], f"{ALWAYS} {OTHERS} duckdb netCDF4 openpyxl"),
]


def imported(heavy: str, *words: str) -> list[str]:
    """Run a command in a process of its own and return which of some modules it has imported."""
    done = subprocess.run([sys.executable, "-c", SCRIPT, heavy, *words], capture_output=True, text=True, check=True)
    return done.stderr.splitlines()[-1].split()


@pytest.mark.parametrize(("words", "heavy"), COMMANDS, ids=lambda v: " ".join(v[:1]) if isinstance(v, list) else "")
def test_a_command_that_answers_leaves_out_what_it_does_not_need(words, heavy):
    """Neither start-up nor answer imports a library that only other commands use."""
    archive = [] if words[-1] in ("--help", "--version") else ["--archive", str(SAMPLE)]
    assert imported(heavy, *words, *archive) == []


def test_an_ingest_and_an_audit_of_sound_sheets_leave_out_what_they_do_not_need(tmp_path):
    """Pandera is imported for wrong cells only, scipy for records and ratings, DuckDB and processes for many files."""
    folder = deposit(tmp_path / "sheet", 1, 1)
    heavy = f"{ALWAYS} {OTHERS} duckdb scipy openpyxl multiprocessing concurrent.futures.process".replace(
        "stillwell.commands.intake ", ""
    )
    assert imported(heavy, "ingest", str(folder), "--archive", str(tmp_path / "archive")) == []
    assert imported("pandera prefect starlette matplotlib", "audit", "--archive", str(tmp_path / "archive")) == []


def test_an_ingest_that_renders_later_leaves_netcdf_out(tmp_path):
    """Files that are left to the nightly run need no library of theirs."""
    folder = deposit(tmp_path / "sheet", 1, 1)
    words = ("ingest", str(folder), "--render-later", "--archive", str(tmp_path / "archive"))
    assert imported(f"{ALWAYS} netCDF4 cftime", *words) == []


def test_a_command_starts_no_thread_for_each_core():
    """Numpy is imported with one thread for its matrices, unless the office says otherwise."""
    code = "import os, stillwell.cli as c; c.app = lambda **_: print(os.environ['OPENBLAS_NUM_THREADS']); c.main()"
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    for given, used in ({}, "1"), ({"OPENBLAS_NUM_THREADS": "3"}, "3"):
        done = subprocess.run([sys.executable, "-c", code], env=environment | given, capture_output=True, text=True)
        assert done.stdout == f"{used}\n"
