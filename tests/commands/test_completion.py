"""Completion in the shell: commands, options, words, codes of sites and ids of gaugings."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import get_args

import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.cli import COMMANDS, app
from stillwell.commands import completion
from stillwell.hydrometry.rating.shift_proposal import Way
from stillwell.intake.template import CannotMake, template_workbook
from stillwell.reading.printed.listing import LISTS
from stillwell.reading.records import STEPS
from stillwell.schemas import words

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_archive" / "archive"
SHELLS = ("bash", "zsh", "fish")


@pytest.fixture(autouse=True)
def here(monkeypatch, tmp_path):
    """Stand where there is no archive but the one named."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STILLWELL_ARCHIVE", str(SAMPLE))


def proposals(*typed, env=None):
    """Ask for what may follow, the last word being the one that is typed."""
    line = " ".join(["stillwell", *map(str, typed)])
    told = {"_STILLWELL_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(len(typed))}
    done = CliRunner().invoke(app, [], prog_name="stillwell", env=told | (env or {}), catch_exceptions=False)
    return done.stdout.split()


def test_commands_and_options_are_proposed():
    """Every command by its beginning, every option of a command by its dashes."""
    assert set(proposals("")) == set(COMMANDS)
    assert proposals("reco") == ["recompute", "record"]
    assert {"--archive", "--format", "--as-of", "--site", "--help"} <= set(proposals("list", "--"))
    assert proposals("list", "--format", "j") == ["json"]


@pytest.mark.parametrize(
    "typed", [("record", "INV-"), ("rate", "INV-"), ("derive", "INV-"), ("list", "--site", "INV-")]
)
def test_sites_are_the_archives(typed):
    """The codes of the sites that stand in the register, wherever a site is asked for."""
    assert proposals(*typed) == sorted(Archive(SAMPLE).standing("sites")["site"])


@pytest.mark.parametrize("command", ["show", "report", "review", "trace"])
def test_ids_are_the_archives(command):
    """Every id of a gauging ever recorded, and no other."""
    known = sorted(set(Archive(SAMPLE).read("gaugings")["gauging_id"]))
    assert proposals(command, "INV-WIN.") == [name for name in known if name.startswith("INV-WIN.")]
    assert proposals(command, "INV-WIN.2025-") == []


def test_the_archive_named_on_the_line_is_the_one_looked_into(tmp_path):
    """Before the command or after it; where there is none nothing is proposed."""
    nowhere = {"STILLWELL_ARCHIVE": str(tmp_path)}
    assert proposals("record", "INV-K", env=nowhere) == []
    assert proposals("--archive", SAMPLE, "record", "INV-K", env=nowhere) == ["INV-KES"]
    assert proposals("record", "--archive", SAMPLE, "INV-K", env=nowhere) == ["INV-KES"]


def test_the_closed_lists_are_those_of_the_rooms():
    """What is proposed is what the command takes."""
    assert completion.WORDS["what"] == tuple(LISTS)
    assert completion.WORDS["step"] == tuple(STEPS)
    assert completion.WORDS["way"] == get_args(Way)
    assert set(completion.WORDS["decision"]) == set(words.DECISIONS)
    assert all(template_workbook(units) for units in completion.WORDS["units"])
    with pytest.raises(CannotMake):
        template_workbook("inch")


def test_a_long_ledger_is_not_read_to_the_end(tmp_path, monkeypatch):
    """Only so many bytes of provenance are looked through, the newest first."""
    folder = tmp_path / "provenance"
    folder.mkdir()
    for number in (1, 2):
        (folder / f"{number:08d}.prov.json").write_text(f'{{"gauging:S.{number}/1":0}}' + " " * 100, encoding="utf-8")
    assert completion.gauging_ids(tmp_path) == ["S.1", "S.2"]
    monkeypatch.setattr(completion, "MOST_READ", 150)
    assert completion.gauging_ids(tmp_path) == ["S.2"]


def test_looking_imports_nothing_that_reads_tables():
    """A key that is pressed must be answered before a person notices; what reads tables takes longer to import."""
    code = (
        "import sys; from stillwell.commands import completion as c; from pathlib import Path;"
        f"c.gauging_ids(Path({str(SAMPLE)!r})); print(sorted({{'pandas', 'pyarrow', 'duckdb'}} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("shell", SHELLS)
def test_each_shell_has_its_script(shell):
    """The script names the program and the variable by which it asks for proposals."""
    told = {"_STILLWELL_COMPLETE": f"source_{shell}"}
    done = CliRunner().invoke(app, [], prog_name="stillwell", env=told, catch_exceptions=False)
    assert done.exit_code == 0
    assert f"_STILLWELL_COMPLETE=complete_{shell}" in done.stdout
    assert "stillwell" in done.stdout


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_zsh_and_fish_are_answered_in_their_own_form(shell):
    """The line typed so far comes in one variable; the answer holds the site."""
    told = {
        "_STILLWELL_COMPLETE": f"complete_{shell}",
        "_TYPER_COMPLETE_ARGS": "stillwell record INV-K",
        "_TYPER_COMPLETE_FISH_ACTION": "get-args",
    }
    done = CliRunner().invoke(app, [], prog_name="stillwell", env=told, catch_exceptions=False)
    assert "INV-KES" in done.stdout
    assert "INV-ORM" not in done.stdout


def test_bash_reads_the_script_and_completes(tmp_path):
    """The script passes ``bash -n``; sourced, a line half typed is completed by the program itself."""
    program = tmp_path / "stillwell"
    program.write_text(
        f"#!{sys.executable}\nimport sys\nsys.path[:0] = {sys.path!r}\nfrom stillwell.cli import main\nmain()\n",
        encoding="utf-8",
    )
    program.chmod(0o755)
    told = {"_STILLWELL_COMPLETE": "source_bash"}
    script = tmp_path / "completion.sh"
    script.write_text(CliRunner().invoke(app, [], prog_name="stillwell", env=told).stdout, encoding="utf-8")
    subprocess.run(["bash", "-n", str(script)], check=True)
    typed = (
        f"source {script}; PATH={tmp_path}:$PATH; COMP_WORDS=(stillwell record INV-K); COMP_CWORD=2; "
        '_stillwell_completion stillwell; echo "${COMPREPLY[@]}"; complete -p stillwell'
    )
    done = subprocess.run(["bash", "-c", typed], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[0] == "INV-KES"
    assert "-F _stillwell_completion stillwell" in done.stdout
