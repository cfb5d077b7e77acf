"""The house itself: sizes, words, generated pages, one way only."""

from __future__ import annotations

import ast
import re
import runpy
import subprocess
from pathlib import Path

import pytest

from tests.house.loops import skippable

ROOT = Path(__file__).parents[2]
CODE = [*(ROOT / "src").rglob("*.py"), *(ROOT / "flows").glob("*.py"), *(ROOT / "schemas").glob("*.py")]
TESTS = sorted((ROOT / "tests").rglob("test_*.py"))


def _tracked() -> list[Path]:
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    names = [name for name in done.stdout.decode().split("\0") if name]
    return [ROOT / name for name in names] if names else [p for p in CODE if p.is_file()]


@pytest.mark.parametrize("path", CODE, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_modules_and_functions_stay_small(path):
    """No module passes 400 lines and no function 60."""
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            doc = ast.get_docstring(node, clean=False)
            length = node.end_lineno - node.lineno + 1 - (doc.count("\n") + 1 if doc else 0)
            assert length <= 60, node.name


def test_no_catch_all_modules():
    """Nothing is called utils, helpers, common or misc."""
    assert not [p for p in CODE if p.stem in {"utils", "helpers", "common", "misc"}]


def test_no_address_of_a_registry_and_no_path_of_a_machine():
    """No tracked text names the host of a package registry or a path of the machine it was written on."""
    hosts = "|".join(
        (
            "py" + "pi.org",
            "python" + "hosted",
            "npm" + "js",
            r"(?<!\w)/wo" + "rk/",
            r"(?<!\w)/ro" + "ot/",
            "/tmp/" + "pip",
        )
    )
    assert ROOT / "README.md" in _tracked()
    for path in _tracked():
        if path.suffix in {".py", ".toml", ".md", ".txt", ".cfg", ""} and path.is_file():
            found = re.search(hosts, path.read_text(encoding="utf-8", errors="ignore"))
            assert not found, (path.name, found)


def test_constraints_pin_without_addresses():
    """Every constraint is name==version and nothing else."""
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    assert len(lines) > 20
    for line in lines:
        assert re.fullmatch(r"[A-Za-z0-9_.-]+==[A-Za-z0-9_.+!-]+( ;.*)?", line), line


def test_generated_pages_are_up_to_date():
    """The data dictionary and the list of findings are what ``make docs`` would write."""
    pages = runpy.run_path(str(ROOT / "docs" / "make_docs.py"))["PAGES"]
    assert pages
    for name, write in pages.items():
        assert (ROOT / "docs" / name).read_text(encoding="utf-8") == write(), f"{name}: run make docs"


def test_every_room_has_its_tests():
    """Every room has its tests under its own name."""
    rooms = {p.parent.name for p in (ROOT / "src" / "stillwell").glob("*/__init__.py")}
    assert rooms - {"reading"} <= {p.name for p in (ROOT / "tests").iterdir() if p.is_dir()}


def test_links_of_the_pages_lead_somewhere():
    """Every relative link in README, DEVELOPERS and docs points at a file."""
    links = 0
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")):
        for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), (page.name, target)
            links += 1
    assert links > 20


@pytest.mark.parametrize("path", TESTS, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_no_test_passes_because_a_loop_was_empty(path):
    """A test that asserts only inside loops over what could be empty asserts first that it is not."""
    assert skippable(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("body", "skipped"),
    [
        ("for x in found():\n  assert x", True),
        ("for x in (1, 2):\n  assert x", False),
        ("for x in ():\n  assert x", True),
        ("assert found()\n for x in found():\n  assert x", False),
        ("for x in (1, 2):\n  for y in x:\n   assert y", True),
        ("rows = [1]\n for x in enumerate(rows):\n  assert x", False),
        ("rows = []\n for x in rows:\n  assert x", True),
        ("for x in TOP.items():\n  assert x", False),
        ("for x in range(n):\n  with pytest.raises(ValueError):\n   x()", True),
        ("for x in range(3):\n  np.testing.assert_allclose(x, 1)", False),
        ("while again():\n  assert x", True),
        ("run()", False),
    ],
)
def test_a_loop_that_may_be_skipped_is_recognised(body, skipped):
    """Literals with an element always run, calls and names of unknown content may not."""
    assert skippable(f"TOP = {{1: 2}}\ndef test_one():\n {body}\n") == (["test_one"] if skipped else [])


def test_every_column_of_a_table_with_netcdf_is_in_it_or_left_out_with_a_reason():
    """Each such column names its variable or says why there is none; every variable is that of one table's columns."""
    from stillwell.schemas import ARCHIVE_TABLES
    from stillwell.schemas.derive import WITH_NETCDF, columns, variables

    assert len(WITH_NETCDF) > 4
    for table in WITH_NETCDF:
        for column in columns(ARCHIVE_TABLES[table]):
            assert column.variable(table) or len(column.left_out) > 20, (table, column.name)
        names = [variable.name for _, variable in variables(table, ARCHIVE_TABLES[table])]
        assert len(names) == len(set(names)), table


def test_what_docstrings_refer_to_exists():
    """A dotted name in backticks that begins with a module or folder of ours leads to a name that stands there."""
    from stillwell.schemas import ARCHIVE_TABLES, DEPOSIT_TABLES

    source = ROOT / "src" / "stillwell"
    modules: dict[str, list[str]] = {}
    for path in sorted(source.glob("**/*.py")) + sorted(ROOT.glob("schemas/*.py")):
        parts = path.relative_to(source if source in path.parents else ROOT).with_suffix("").parts
        for i in range(len(parts)):
            modules.setdefault(".".join(parts[i:]), []).append(path.read_text(encoding="utf-8"))
    folders = {path.parent.name for path in source.glob("**/__init__.py")}
    others = {*ARCHIVE_TABLES, *DEPOSIT_TABLES, "limits", "table"}  # columns, and arguments called like a module
    refers = re.compile(r"`(?:stillwell\.)?((?:[a-z_0-9]+\.)+[A-Za-z_]+)(?=[`(])")
    seen, lost = 0, []
    for path in [*CODE, ROOT / "DEVELOPERS.md"]:
        for name in refers.findall(path.read_text(encoding="utf-8")):
            module, _, last = name.rpartition(".")
            if name in modules or module in others or last in {"py", "md", "toml", "json", "nc", "csv", "txt"}:
                continue
            if module in modules:
                seen += 1
                lost += [] if any(re.search(rf"\b{last}\b", text) for text in modules[module]) else [(path.name, name)]
            elif name.count(".") > 1 and name.partition(".")[0] in folders:
                lost.append((path.name, name))
    assert seen > 50
    assert lost == []


def test_no_room_lists_what_a_column_is():
    """Facts of a column stand in the schemas; no module of ours holds a second list of five or more column names."""
    from stillwell.schemas import ARCHIVE_TABLES, DEPOSIT_TABLES
    from stillwell.schemas.derive import columns

    models = [*ARCHIVE_TABLES.values(), *DEPOSIT_TABLES.values()]
    free = {c.name for model in models for c in columns(model) if c.text == "words"}
    assert {"remarks", "reason", "river"} <= free
    for room in ("intake", "archive"):
        for path in (ROOT / "src" / "stillwell" / room).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Set | ast.Tuple | ast.List):
                    said = {e.value for e in node.elts if isinstance(e, ast.Constant)}
                    assert len(said & free) < 5, (path.name, sorted(said & free))
