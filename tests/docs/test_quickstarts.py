"""The quick starts run as they stand: every line, in order, in an empty folder beside the sample season."""

from __future__ import annotations

import ast
import contextlib
import io
import os
import re
import shutil
import subprocess
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from stillwell.cli import app
from tests.docs.pages import Shell, blocks, missing

ROOT = Path(__file__).resolve().parents[2]
PAGES = sorted((ROOT / "docs").glob("quickstart_*.md"))
USERS = ("data_manager", "analyst", "nightly", "hydrographer")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Lay the sample season into an empty folder, and stand in it."""
    left_out = shutil.ignore_patterns("__pycache__", "*.py")
    shutil.copytree(ROOT / "sample_archive", tmp_path / "sample_archive", ignore=left_out)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STILLWELL_ARCHIVE", raising=False)
    return tmp_path


def program(words, environment):
    """Run the project's command in process."""
    told = {name: value for name, value in environment.items() if name.startswith("STILLWELL")}
    done = CliRunner().invoke(app, words, env=told, prog_name="stillwell", catch_exceptions=False)
    return done.exit_code, done.stdout, done.stderr


def python(code, names):
    """Run a block as a notebook would: what it prints, then its last expression unless that is nothing."""
    tree = ast.parse(code)
    last = ast.Expression(tree.body.pop().value) if isinstance(tree.body[-1], ast.Expr) else None
    said = io.StringIO()
    with contextlib.redirect_stdout(said), pd.option_context("display.width", 120, "display.max_columns", 20):
        exec(compile(tree, "page", "exec"), names)
        value = None if last is None else eval(compile(last, "page", "eval"), names)
    return said.getvalue() + ("" if value is None else f"{value!r}\n")


def test_each_user_has_a_page():
    """Four users, four pages, each at most a page long, each linked from the list of pages and from the README."""
    assert [page.stem.removeprefix("quickstart_") for page in PAGES] == sorted(USERS)
    for page in PAGES:
        assert len(page.read_text(encoding="utf-8").splitlines()) <= 80, page.name
        for index in (ROOT / "README.md", ROOT / "docs" / "README.md"):
            assert page.name in index.read_text(encoding="utf-8"), (page.name, index.name)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_the_lines_run_and_show_what_they_give(page, folder):
    """Each block of shell or Python runs; every line shown under it is given, in that order."""
    shell, names, ran = Shell(folder, dict(os.environ), program), {}, 0
    for block in blocks(page):
        if block.language == "sh":
            given = "".join(shell.run(line) for line in block.lines)
            ran += len(block.lines)
        elif block.language == "python":
            given = python(block.code, names)
            ran += 1
        else:
            continue
        assert missing(block.shown, given) == [], (block.code, given)
    assert ran >= 5
    assert {path.name for path in folder.iterdir()} == {"sample_archive", "tried"}
    assert "/tried/" in (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()


def test_the_line_for_cron_names_the_command_in_full_and_keeps_a_witness():
    """Every call goes by a full path, since cron has a short PATH; the night ends with a line of the witness."""
    page = next(page for page in PAGES if page.stem == "quickstart_nightly")
    line = re.search(r"^30 2 \* \* \*  (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)[1]
    calls = [part.split() for part in line.split(" && ")]
    assert [words[:2] for words in calls] == [
        ["$STILLWELL", step] for step in ("derive", "audit", "replicate", "witness")
    ]
    assert re.search(r"^STILLWELL=/\S+/stillwell$", page.read_text(encoding="utf-8"), re.MULTILINE)


def test_the_example_of_a_review_changes_something(folder):
    """The gauging that the data manager's page approves is provisional until that line, and approved after it."""
    page = next(page for page in PAGES if page.stem == "quickstart_data_manager")
    lines = [line for block in blocks(page) if block.language == "sh" for line in block.lines]
    at = next(i for i, line in enumerate(lines) if line.startswith("stillwell review "))
    subject = lines[at].split()[2]
    told = (folder / "sample_archive" / "inbox" / "16_reviews" / "reviews.csv").read_text(encoding="utf-8")
    assert subject not in told
    assert subject in (folder / "sample_archive" / "truth.csv").read_text(encoding="utf-8")
    shown = next(block.shown for block in blocks(page) if "stillwell review" in block.code)
    assert f"approved    {subject}" in shown


def test_the_readme_tells_where_the_command_is(tmp_path):
    """The line of the README that sets the PATH, run in a folder set up as `make setup` does, finds `stillwell`."""
    line = re.search(r"`(export PATH=[^`]+)`", (ROOT / "README.md").read_text(encoding="utf-8"))[1]
    command = tmp_path / ".venv" / "bin" / "stillwell"
    command.parent.mkdir(parents=True)
    command.write_text("#!/bin/sh\necho here\n")
    command.chmod(0o755)
    done = subprocess.run(
        ["bash", "-c", f"{line}; cd /; stillwell"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout == "here\n"
    assert "VENV ?= .venv" in (ROOT / "Makefile").read_text(encoding="utf-8")


def test_every_page_is_in_the_list_of_pages():
    """docs/README.md names every page of the folder, and the README points at it."""
    index = (ROOT / "docs" / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"\]\(([\w.]+\.md)\)", index))
    assert {page.name for page in (ROOT / "docs").glob("*.md")} - {"README.md"} == named
    assert "docs/README.md" in (ROOT / "README.md").read_text(encoding="utf-8")
