"""Whatever a disk refuses, a command says so in words: which path, what the disk answered, what holds now; exit 1."""

from __future__ import annotations

import errno
import os
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.cli import app
from stillwell.pipeline.audit import audit
from tests.pipeline.season import season, sheets

ID = "S1.20250501T100000Z.M1"
REFUSED = (errno.ENOSPC, errno.EROFS, errno.EIO, errno.EACCES, errno.EDQUOT, errno.ENAMETOOLONG)


def _refuse(code):
    def call(*_):
        raise OSError(code, os.strerror(code))

    return call


def _commands(tmp_path, root):
    """Name each command that writes, by what it is called with."""
    out = tmp_path / "out"
    out.mkdir()
    at = ["--archive", str(root)]
    digest = Archive(root).ledger.entry(2).deposits[0]["deposit"]
    return {
        "ingest": [str(sheets(tmp_path / "d", "5")), *at],
        "review": [ID, "--by", "H", "--reason", "t", *at],
        "compact": ["--most", "1", *at],
        "withhold": [digest, "--by", "H", "--reason", "t", *at],
        "replicate": ["--to", str(out / "copy"), *at],
        "rebuild": ["--into", str(out / "again"), *at],
        "publish": ["--out", str(out / "bag"), "--by", "H", *at],
        "report": [ID, "--output", str(out / "page.html"), *at],
        "query": ["SELECT 1 AS one", "--output", str(out / "one.csv"), *at],
        "trace": [ID, "--output", str(out / "trace.svg"), "--format", "svg", *at],
        "template": ["--output", str(out / "sheets.xlsx")],
        "audit": ["--budget", "100000", *at],
    }


@pytest.mark.parametrize("call", ["write", "fsync"])
@pytest.mark.parametrize("turn", [0, *(pytest.param(n, marks=pytest.mark.soak) for n in range(1, len(REFUSED)))])
def test_every_command_says_what_the_disk_refused(tmp_path, monkeypatch, call, turn):
    """No command ends in a traceback; the archive stands as it was."""
    root = season(tmp_path)
    before = Archive(root).ledger.head_number()
    commands = _commands(tmp_path, root)
    with monkeypatch.context() as patch:
        patch.setattr(fs.system, "syncfs", None)
        for number, (command, words) in enumerate(commands.items()):
            code = REFUSED[(number + turn) % len(REFUSED)]
            patch.setattr(fs.system, call, _refuse(code))
            said = CliRunner().invoke(app, [command, *words])
            assert isinstance(said.exception, SystemExit), (command, said.exception)
            assert said.exit_code == 1, (command, said.output)
            assert os.strerror(code) in said.stderr, command
            assert str(tmp_path) in said.stderr, command
            assert "Traceback" not in said.stderr, command
    assert Archive(root).ledger.head_number() == before
    assert audit(root, recompute=False).faults == ()
    assert [path.name for path in (tmp_path / "out").rglob("*") if path.suffix in (".part", ".csv", ".xlsx")] == []


@pytest.mark.parametrize(
    "words", [["list"], ["show", ID], ["query", "SELECT 1 AS one"], ["query", "SELECT 1", "--output", "/dev/full"]]
)
def test_an_answer_that_cannot_be_written_out(tmp_path, words):
    """Standard output, or a device named with --output, that is full: words and exit 1, without a second failure."""
    root = season(tmp_path)
    with open("/dev/full", "wb") as full:  # noqa: PTH123
        done = subprocess.run(
            [sys.executable, "-m", "stillwell.cli", *words, "--archive", str(root)],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert os.path.exists("/dev/full")  # noqa: PTH110


@pytest.mark.parametrize("format_", ["table", "csv", "json"])
def test_a_date_out_of_range_is_said(tmp_path, format_):
    """A date that no answer in text can hold is a question refused in words; so is one DuckDB itself refuses."""
    root = season(tmp_path)
    for question in (
        "SELECT DATE '20000-01-01' AS d",
        "SELECT 'infinity'::TIMESTAMPTZ AS t",
        "SELECT CAST('x' AS DATE)",
    ):
        said = CliRunner().invoke(app, ["query", question, "--format", format_, "--archive", str(root)])
        assert said.exit_code == 2, (question, said.output)
        assert "years 1 to 9999" in said.stderr or "cannot be answered" in said.stderr
