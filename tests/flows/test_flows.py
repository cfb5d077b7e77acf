"""The flows run as programs, quietly, without a server or a network, and say what happened."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.cli import app
from tests.pipeline.season import registers, sheets

ROOT = Path(__file__).parents[2]


def _run(module, *words, home):
    env = os.environ | {"HOME": str(home)}
    env.pop("PREFECT_HOME", None)
    command = [sys.executable, "-m", module, *map(str, words)]
    return subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False, timeout=300)


def test_an_inbox_goes_in_and_the_night_proves_it(tmp_path):
    """``flows.ingest`` takes an inbox; ``flows.nightly`` audits it, and fails once a byte has changed."""
    inbox, root = tmp_path / "inbox", tmp_path / "archive"
    registers(inbox / "01_registers")
    sheets(inbox / "02_sheets", "1", "2")
    done = _run("flows.ingest", "--inbox", inbox, "--archive", root, home=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "S1.20250501T100000Z.M1" in done.stdout
    assert len(Archive(root).standing("gaugings")) == 2
    night = _run("flows.nightly", "--archive", root, home=tmp_path)
    assert night.returncode == 0, night.stderr
    assert "everything is as it was written" in night.stdout
    assert not (tmp_path / ".prefect").exists()
    path = next((root / "tables").rglob("*.parquet"))
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    night = _run("flows.nightly", "--archive", root, home=tmp_path)
    assert night.returncode == 1
    assert path.relative_to(root).as_posix() in night.stdout


def test_flow_and_command_make_the_same_tables(tmp_path):
    """An inbox taken in by the flow and by the command gives the same rows of every table, but for the moment."""
    inbox = tmp_path / "inbox"
    registers(inbox / "01_registers")
    sheets(inbox / "02_sheets", "1", "2", "3")
    assert (
        _run("flows.ingest", "--inbox", inbox, "--archive", tmp_path / "flow", "--by", "T1", home=tmp_path).returncode
        == 0
    )
    said = ["ingest", "--inbox", str(inbox), "--archive", str(tmp_path / "command"), "--by", "T1"]
    assert CliRunner().invoke(app, said, catch_exceptions=False).exit_code == 0
    flow, command = Archive(tmp_path / "flow"), Archive(tmp_path / "command")
    assert flow.tables() == command.tables()
    for table in flow.tables():
        one, other = (a.read(table).drop(columns="recorded_at") for a in (flow, command))
        assert one.equals(other), table


def test_an_inbox_with_something_bad_exits_1(tmp_path):
    """What is returned makes the flow exit 1 and is said; the rest is taken."""
    inbox, root = tmp_path / "inbox", tmp_path / "archive"
    registers(inbox / "01_registers")
    sheets(inbox / "02_sheets", "1")
    sheets(inbox / "03_lost", "2", site="S9")
    done = _run("flows.ingest", "--inbox", inbox, "--archive", root, home=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "S9" in done.stdout
    assert len(Archive(root).standing("gaugings")) == 1


def test_only_disk_trouble_is_tried_again():
    """A refused read is tried again, a computation never; what was tried before the commit point leaves nothing."""
    from prefect.states import Failed

    from flows.tasks import only_disk_trouble

    def failed(error):
        return Failed(message="x", data=error)

    assert only_disk_trouble(None, None, failed(OSError("gone")))
    assert not only_disk_trouble(None, None, failed(ValueError("sum")))


def test_a_flow_reads_like_its_diagram():
    """No flow file is longer than 60 lines, and none computes."""
    for path in (ROOT / "flows").glob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert len(text.splitlines()) <= 60, path.name
        assert "numpy" not in text
        assert "pandas" not in text
