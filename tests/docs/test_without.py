"""Reading an archive without Stillwell: the page's lines run where nothing of ours can be imported.

Neither this file nor what it runs imports the project.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.docs.pages import Shell, blocks, missing

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "reading_without_stillwell.md"
OURS = ("stillwell", "schemas", "flows")

_READER = """
import ast, contextlib, io, json, sys
class Refused:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {ours!r}:
            raise ImportError(f"{{name}} is ours; a stranger has none of it")
sys.meta_path.insert(0, Refused())
names, said = {{}}, []
for code in json.load(sys.stdin):
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(code, "page", "exec"), names)
    said.append(out.getvalue())
json.dump(said, sys.stdout)
"""


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Copy the sample archive, so that lists beside it bother nobody."""
    return Path(shutil.copytree(ROOT / "sample_archive" / "archive", tmp_path_factory.mktemp("alone") / "archive"))


@pytest.fixture(scope="module")
def environment():
    """Keep what finds programs, drop what would find our code."""
    return {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "STILLWELL"))}


@pytest.fixture(scope="module")
def said(archive, environment):
    """Run the page's Python in a process of its own; give what each block said."""
    code = [block.code for block in blocks(PAGE) if block.language == "python"]
    reader = _READER.format(ours=OURS)
    done = subprocess.run(
        [sys.executable, "-c", reader],
        input=json.dumps(code),
        cwd=archive,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_python_shows_what_the_page_shows(said):
    """Every line under a block is given, in that order."""
    python = [block for block in blocks(PAGE) if block.language == "python"]
    assert len(python) >= 5
    for block, given in zip(python, said, strict=True):
        assert missing(block.shown, given) == [], given


def test_plain_tools_prove_the_bytes(archive, environment, said):
    """The lists made by the page pass sha256sum and sha512sum; a flipped byte does not."""
    shell = Shell(archive, environment)
    lines = [(block, line) for block in blocks(PAGE) if block.language == "sh" for line in block.lines]
    for block in (block for block in blocks(PAGE) if block.language == "sh"):
        given = "".join(shell.run(line) for line in block.lines)
        assert missing(block.shown, given) == [], given
    assert len(lines) >= 6
    for lists, folder, line in (("sha256sum", "tables", 0), ("sha512sum", "sealed", 1)):
        path = next(p for p in sorted((archive / folder).rglob("*")) if p.suffix in (".parquet", ".csv"))
        whole = path.read_bytes()
        path.write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
        check = next(found for _, found in lines if found.startswith(lists))
        done = subprocess.run(["bash", "-c", check], cwd=archive, env=environment, capture_output=True, text=True)
        path.write_bytes(whole)
        assert done.returncode == 1, line
        assert path.name in done.stdout + done.stderr


def test_nothing_of_ours_is_imported():
    """Neither the page nor this test imports the project, and the guard refuses it."""
    for text in (PAGE.read_text(encoding="utf-8"), Path(__file__).read_text(encoding="utf-8")):
        assert not re.search(rf"^\s*(?:from|import) (?:{'|'.join(OURS)})\b", text, flags=re.MULTILINE)
    reader = _READER.format(ours=OURS)
    done = subprocess.run(
        [sys.executable, "-c", reader],
        input='["import stillwell"]',
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "a stranger has none of it" in done.stderr
