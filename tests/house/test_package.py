"""What is installed: one name, whole, that no file beside a user's notebook disturbs."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zipfile
from email.parser import Parser
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.docs.pages import missing

ROOT = Path(__file__).parents[2]

WITHOUT = """
import sys
class Refused:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in ("prefect", "starlette", "uvicorn"):
            raise ImportError(f"{name} is not there")
sys.meta_path.insert(0, Refused())
import stillwell
archive = stillwell.open(sys.argv[1])
from stillwell.archive.archive import Archive
from stillwell.reporting import report
from pathlib import Path
for subject in ("INV-ORM.20241030T113000Z.INV-AC3", "meter:INV-AC3", "site:INV-ORM", "season:2024-10-01/2025-10-01"):
    assert report(Archive(Path(sys.argv[1])), subject).startswith("<!doctype html>")
print(len(archive.gaugings()), archive.sql("SELECT count(*) AS n FROM gaugings WHERE site = 'INV-ORM'")["n"].iloc[0])
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Build the wheel of this tree."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    with zipfile.ZipFile(next(folder.glob("*.whl"))) as opened:
        opened.extractall(folder / "site")
    return folder / "site"


@pytest.fixture
def beside(wheel, tmp_path):
    """Run Python with the wheel alone, in a folder with files of our folders' names."""
    (tmp_path / "schemas.py").write_text("raise SystemExit('a stray file was imported')\n")
    (tmp_path / "flows").mkdir()
    (tmp_path / "flows" / "__init__.py").write_text("raise SystemExit('a stray folder was imported')\n")
    env = os.environ | {"PYTHONPATH": str(wheel), "HOME": str(tmp_path)}

    def run(*words):
        return subprocess.run(
            [sys.executable, *words], cwd=tmp_path, env=env, capture_output=True, text=True, check=False
        )

    return run


def test_one_name_comes_with_all_that_belongs_to_it(wheel):
    """Beside its description a wheel holds `stillwell` alone, typed: every module, schema, flow, and the season."""
    assert [path.name for path in wheel.iterdir() if path.suffix != ".dist-info"] == ["stillwell"]
    for inside, outside in (("", "src/stillwell"), ("flows", "flows"), ("schemas", "schemas")):
        ours = [path.relative_to(ROOT / outside) for path in (ROOT / outside).rglob("*.py")]
        assert len(ours) > 4
        assert [path for path in ours if not (wheel / "stillwell" / inside / path).is_file()] == []
    package = ROOT / "src" / "stillwell"
    names = [path.relative_to(package) for kind in ("html", "css", "js", "svg") for path in package.rglob(f"*.{kind}")]
    assert len(names) > 20
    assert [name for name in names if not (wheel / "stillwell" / name).is_file()] == []
    season = ROOT / "sample_archive" / "inbox"
    files = {path.relative_to(season): path.read_bytes() for path in season.rglob("*") if path.is_file()}
    there = wheel / "stillwell" / "sample_season"
    assert {path.relative_to(there): path.read_bytes() for path in there.rglob("*") if path.is_file()} == files
    assert (wheel / "stillwell" / "py.typed").is_file()


def test_the_description_leads_nowhere_that_is_not_there(wheel):
    """Where the README is shown alone it has no link to a file beside it; the path stands in its place."""
    told = Parser().parsestr(next(wheel.glob("*.dist-info/METADATA")).read_text(encoding="utf-8"))
    shown = told.get_payload()
    assert "# Stillwell" in shown
    assert "`docs/method.md` in the sources" in shown
    assert not re.findall(r"\]\((?!https?://)[^)]*\)", shown)


def test_the_demo_of_a_wheel_prints_what_the_readme_shows(beside, wheel, tmp_path):
    """It runs beside stray files of our folders' names, and what it prints holds the README's block, in that order."""
    place = beside("-c", "import stillwell.schemas as s, stillwell.flows as f; print(s.__file__, f.__file__)")
    assert place.stdout.split() == [str(wheel / "stillwell" / name / "__init__.py") for name in ("schemas", "flows")]
    done = beside("-m", "stillwell.flows.demo")
    assert done.returncode == 0, done.stderr
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = re.search(r"^```\n(gauging .*?)^```$", text, re.MULTILINE | re.DOTALL)[1]
    assert "deposits sealed" in shown
    assert missing(shown, done.stdout) == []
    assert (tmp_path / "demo_archive" / "ledger").is_dir()
    assert f"{Path(sys.executable).with_name('stillwell')} list " in done.stdout


def test_the_demo_removes_nothing_that_it_did_not_make(tmp_path, monkeypatch, capsys):
    """A folder of its name that is no archive of a demo stays as it is, and the demo says so."""
    from stillwell.flows import demo

    monkeypatch.chdir(tmp_path)
    (tmp_path / "demo_archive").mkdir()
    (tmp_path / "demo_archive" / "thesis.txt").write_text("all there is")
    assert demo.main() == 1
    assert "found another; it stays" in capsys.readouterr().err
    assert (tmp_path / "demo_archive" / "thesis.txt").read_text() == "all there is"


def test_an_archive_is_read_without_what_only_writers_and_rooms_need(beside):
    """Opening and asking an archive import neither Prefect nor what serves the reading room."""
    done = beside("-c", WITHOUT, str(ROOT / "sample_archive" / "archive"))
    assert done.returncode == 0, done.stderr
    gaugings, at_one = map(int, done.stdout.split())
    assert gaugings > at_one > 0


def test_what_the_pages_run_as_a_module_is_installed_or_of_the_repository():
    """Every `python -m` of ours in a page names a module of the package, or one of the tests or the sample."""
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")]
    named = {name for page in pages for name in re.findall(r"python3? -m ([\w.]+)", page.read_text(encoding="utf-8"))}
    ours = {name for name in named if (ROOT / name.partition(".")[0]).is_dir() or name.startswith("stillwell")}
    assert {"stillwell.flows.ingest", "stillwell.flows.nightly"} <= ours
    assert {name.partition(".")[0] for name in ours} <= {"stillwell", "tests", "sample_archive"}
    assert [name for name in ours if find_spec(name) is None] == []
