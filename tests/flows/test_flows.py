"""The flows run as programs, quietly, without a server or a network, and say what happened."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from pandas.testing import assert_frame_equal
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.cli import app
from stillwell.pipeline.ingest import ingest
from tests.pipeline.season import registers, sheets

ROOT = Path(__file__).parents[2]


def _run(module, *words, home):
    env = os.environ | {"HOME": str(home)}
    env.pop("PREFECT_HOME", None)
    command = [sys.executable, "-m", module, *map(str, words)]
    return subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False, timeout=300)


@pytest.fixture(scope="module")
def taken(tmp_path_factory):
    """Take an inbox in with ``stillwell.flows.ingest``: home, inbox, archive, and what the flow said."""
    home = tmp_path_factory.mktemp("flow")
    inbox, root = home / "inbox", home / "archive"
    registers(inbox / "01_registers")
    sheets(inbox / "02_sheets", "1", "2")
    sheets(inbox / "03_lost", "3", site="S9")
    done = _run("stillwell.flows.ingest", "--inbox", inbox, "--archive", root, "--by", "T1", home=home)
    return home, inbox, root, done


def test_flow_and_command_make_the_same_tables(taken, tmp_path):
    """An inbox taken in by the flow and by the command gives the same rows of every table, but for the moment.

    What is returned is said and makes both exit 1; the rest is taken.
    """
    _, inbox, root, done = taken
    assert done.returncode == 1, done.stderr
    assert "S1.20250501T100000Z.M1" in done.stdout
    assert "S9" in done.stdout
    said = ["ingest", "--inbox", str(inbox), "--archive", str(tmp_path / "command"), "--by", "T1"]
    assert CliRunner().invoke(app, said, catch_exceptions=False).exit_code == 1
    flow, command = Archive(root), Archive(tmp_path / "command")
    assert len(flow.standing("gaugings")) == 2
    assert flow.tables() == command.tables()
    for table in flow.tables():
        one, other = (a.read(table).drop(columns="recorded_at") for a in (flow, command))
        assert one.equals(other), table


@pytest.fixture
def pages(monkeypatch):
    """Run the night as plain functions in this process; its pages by name."""
    from stillwell.flows import nightly, tasks

    out = {}
    monkeypatch.setattr(tasks, "create_markdown_artifact", lambda key, markdown: out.update({key: markdown}))
    for name in ("audit_archive", "derive", "render", "compact"):
        monkeypatch.setattr(tasks, name, getattr(tasks, name).fn)
    monkeypatch.setattr(nightly, "nightly", nightly.nightly.fn)
    return out


def test_a_night_with_a_time_proves_what_it_can_and_says_how_much(taken, tmp_path, pages, capsys):
    """However short the time, the newest commit is proved; the page says how many of all are, and since when."""
    from stillwell.flows import nightly

    root = shutil.copytree(taken[2], tmp_path / "archive")
    number = Archive(root).ledger.head_number()
    assert nightly.main(["--archive", str(root), "--minutes", "0"]) == 0
    said = rf"note: commits proved: [1-{number}] of {number}, the one longest ago at 20"
    assert re.search(said, pages["audit-report"])
    assert re.search(said, capsys.readouterr().out)


def test_a_night_puts_scattered_files_together_and_what_it_left_is_sound(tmp_path, pages):
    """Where neighbouring sites have many small files of a table, a night makes them few; the next has nothing to do.

    The rows stay, NetCDF is not behind, and the archive is proved again the next night.
    """
    from stillwell.flows import nightly

    names = [f"S{number}" for number in range(1, 13)]
    registers(tmp_path / "inbox" / "0")
    lines = [f"{name},{name} (invented),10,20,+00:00" for name in names]
    heads = ["site,name,latitude,longitude,utc_offset", *lines]
    (tmp_path / "inbox" / "0" / "sites.csv").write_text("\n".join(heads) + "\n")
    for name in names:
        sheets(tmp_path / "inbox" / name, "1", site=name)
    root = tmp_path / "archive"
    ingest(root, sorted((tmp_path / "inbox").iterdir()), by="T1")
    before, files = Archive(root).standing("points"), len(Archive(root).table_files("points"))
    nightly.nightly(root)
    assert files == len(names)
    assert re.search(r"commit \d+: [\d,]+ files made into \d+, [\d,]+ rows\nremoved: 0 files", pages["compaction"])
    assert len(Archive(root).table_files("points")) == 1
    assert_frame_equal(Archive(root).standing("points"), before)
    night = nightly.nightly(root)
    assert night.report is not None
    assert not [remark for remark in night.report.remarks if "behind" in remark]
    assert "nothing to compact" in pages["compaction"]


def test_the_night_proves_what_went_in(taken, tmp_path):
    """``stillwell.flows.nightly`` audits the archive, and says that it is sound."""
    home, _, kept, _ = taken
    root = shutil.copytree(kept, tmp_path / "archive")
    night = _run("stillwell.flows.nightly", "--archive", root, home=home)
    assert night.returncode == 0, night.stderr
    assert "everything is as it was written" in night.stdout
    assert not (home / ".prefect").exists()


def test_a_damaged_table_leaves_every_page_and_a_failed_night(taken, tmp_path, monkeypatch, pages, capsys):
    """A table that cannot be read fails the night, which still leaves the audit's page, naming it, and the others'."""
    from stillwell.flows import nightly, tasks

    root = shutil.copytree(taken[2], tmp_path / "archive")
    path = next((root / "tables" / "gaugings").rglob("*.parquet"))
    path.write_bytes(path.read_bytes()[:-9])
    with pytest.raises(nightly.NightFailed, match=path.name):
        nightly.nightly(root)
    assert list(pages) == ["audit-report", "records", "netcdf", "findings-summary"]
    assert path.relative_to(root).as_posix() in pages["audit-report"]
    assert "This part failed" in pages["findings-summary"]
    assert nightly.main(["--archive", str(root)]) == 1
    assert path.relative_to(root).as_posix() in capsys.readouterr().out
    monkeypatch.setattr(tasks, "audit_archive", lambda archive, **_: 1 / 0)
    with pytest.raises(nightly.NightFailed, match="audit-report: ZeroDivisionError"):
        nightly.nightly(root)
    assert "This part failed: ZeroDivisionError" in pages["audit-report"]


def test_an_inbox_with_nothing_bad_exits_0(tmp_path, monkeypatch, capsys):
    """What is said and the exit code follow from what was taken."""
    from stillwell.flows import ingest, tasks

    sheets(tmp_path / "inbox" / "01_sheets", "1")
    registers(tmp_path / "inbox" / "00_registers")
    for name in ("list_inbox", "receive", "take"):
        monkeypatch.setattr(tasks, name, getattr(tasks, name).fn)
    monkeypatch.setattr(ingest, "create_markdown_artifact", lambda **_: None)
    monkeypatch.setattr(ingest, "ingest", ingest.ingest.fn)
    said = ["--inbox", tmp_path / "inbox", "--archive", tmp_path / "archive", "--by", "T1"]
    assert ingest.main(list(map(str, said))) == 0
    assert "S1.20250501T100000Z.M1" in capsys.readouterr().out


def test_only_disk_trouble_is_tried_again():
    """A refused read is tried again, a computation never; what was tried before the commit point leaves nothing."""
    from prefect.states import Failed

    from stillwell.flows.tasks import only_disk_trouble

    def failed(error):
        return Failed(message="x", data=error)

    assert only_disk_trouble(None, None, failed(OSError("gone")))
    assert not only_disk_trouble(None, None, failed(ValueError("sum")))


def test_a_flow_reads_like_its_diagram():
    """No flow file is longer than 60 lines, and none computes."""
    files = [path for path in (ROOT / "flows").glob("*.py") if path.stem != "__init__"]
    assert len(files) > 2
    for path in files:
        text = path.read_text(encoding="utf-8")
        assert len(text.splitlines()) <= 60, path.name
        assert "numpy" not in text
        assert "pandas" not in text
