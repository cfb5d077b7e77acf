"""Which tests a mutant is held against: those that run its line, the shortest first."""

from __future__ import annotations

import ast
import hashlib
import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from tests.mutation.operators import Mutant

ROOT = Path(__file__).resolve().parents[2]

NEAREST = {
    "hydrometry": ("tests/hydrometry", "tests/published", "tests/findings"),
    "assessment": ("tests/assessment", "tests/findings", "tests/prepare", "tests/published"),
    "archive": ("tests/archive", "tests/golden", "tests/pipeline/test_ingest.py", "tests/pipeline/test_keeping.py"),
}
"""Where the tests of a room are looked for."""

QUICK_S = 0.05
"""A test of the room's own folder that takes no longer comes before all others."""
MOST_TESTS = 200
MOST_SECONDS = 20.0
"""Of recorded time; a mutant that outlives the shortest tests of its line up to here is counted as a survivor."""


@dataclass(frozen=True)
class Lines:
    """Which tests run which line."""

    tests: tuple[str, ...]
    seconds: tuple[float, ...]
    lines: dict[str, dict[int, list[int]]]
    """Numbers of tests by path and line; a line run only by an import has none."""

    def of(self, path: str, lines: set[int]) -> set[int]:
        """Number the tests that run one of some lines of a file."""
        known = self.lines.get(path, {})
        return {test for line in lines for test in known.get(line, ())}


def recorded(room: str, file: Path) -> Lines:
    """Run the tests of a room once and note which lines each runs.

    Parameters
    ----------
    room : str
    file : Path
        Where the notes are kept. Of a file of tests that has not changed since, they are read again, unless the code
        or anything that tests share has changed.

    Returns
    -------
    Lines

    Raises
    ------
    RuntimeError
        If a test fails without any mutant.
    """
    sources = [path for top in ("src", "schemas", "tests") for path in (ROOT / top).rglob("*.py")]
    shared = _digest([path for path in sources if not _of_tests(path) and path.parent != Path(__file__).parent])
    kept = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
    files = kept["files"] if kept.get("shared") == shared else {}
    now = {path: _digest([ROOT / path]) for path in files_of(room)}
    wanted = [path for path, digest in now.items() if files.get(path, {}).get("digest") != digest]
    if wanted:
        new = _run(wanted)
        for path in wanted:
            files[path] = {"tests": [], "seconds": [], "lines": {}, **new.get(path, {}), "digest": now[path]}
        file.write_text(json.dumps({"shared": shared, "files": files}), encoding="utf-8")
    return _joined([files[path] for path in now])


def files_of(room: str) -> list[str]:
    """List the files of tests a room's mutants are held against."""
    places = [ROOT / place for place in NEAREST[room]]
    found = [path for place in places for path in ([place] if place.is_file() else sorted(place.rglob("*.py")))]
    return [path.relative_to(ROOT).as_posix() for path in found if _of_tests(path)]


def _of_tests(path: Path) -> bool:
    return path.name.startswith("test_")


def _digest(paths: list[Path]) -> str:
    out = hashlib.sha256()
    for path in sorted(paths):
        out.update(path.relative_to(ROOT).as_posix().encode() + path.read_bytes())
    return out.hexdigest()


def _run(files: list[str]) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "lines.json"
        environment = {**os.environ, "STILLWELL_LINES": str(out), "PYTHONPATH": str(ROOT)}
        options = ("-q", "-m", "not soak", "-p", "tests.mutation.recorder", "--hypothesis-seed=0")
        command = [sys.executable, "-m", "pytest", *options, f"--basetemp={folder}/tmp", *files]
        done = subprocess.run(command, cwd=ROOT, env=environment, check=False, capture_output=True, text=True)
        if not out.exists():
            msg = f"expected a record of the lines that tests run, found none; pytest says: {done.stdout[-2000:]}"
            raise RuntimeError(msg)
        whole = json.loads(out.read_text(encoding="utf-8"))
    if whole["failed"]:
        bad = whole["failed"]
        msg = f"expected tests that pass without a mutant, found {len(bad)} that fail: {bad[:3]}"
        raise RuntimeError(msg)
    return dict(whole["files"])


def _joined(parts: list[dict[str, Any]]) -> Lines:
    tests: list[str] = []
    seconds: list[float] = []
    lines: dict[str, dict[int, list[int]]] = {}
    for part in parts:
        for path, of_path in part["lines"].items():
            known = lines.setdefault(path, {})
            for line, numbers in of_path.items():
                known.setdefault(int(line), []).extend(len(tests) + number for number in numbers)
        tests += part["tests"]
        seconds += part["seconds"]
    return Lines(tuple(tests), tuple(seconds), lines)


def selected(mutant: Mutant, lines: Lines, most_s: float = MOST_SECONDS) -> list[str]:
    """Choose the tests of a mutant.

    A line that runs only when its module is imported (a constant, a default), or whose value is kept after the first
    call, is held against the tests that name it, or run a line which names it, and the same of what is made of it and
    kept; a default also against those that run the body of its function, which a test may call by itself.

    Parameters
    ----------
    mutant : Mutant
    lines : Lines
    most_s : float
        Recorded time of all its tests.

    Returns
    -------
    list of str
        Cases named after the function first, then the quick ones of the room's own folder; then one case of every test
        before the second of any, the shortest first; at most ``MOST_TESTS`` and as much time as given, but always one.
    """
    own = lines.of(mutant.path, set(range(mutant.line, mutant.end + 1)))
    users = set(own)
    if mutant.at_import or not own:
        names = _kept_under(set(mutant.names), list(lines.lines))
        for path in lines.lines:
            users |= lines.of(path, _lines_that_name(path, names))
        users |= {number for number, test in enumerate(lines.tests) if _names_of_test(test) & names}
        users |= lines.of(mutant.path, _body_below(mutant.path, mutant.line))
        users = users or {t for of in lines.lines.get(mutant.path, {}).values() for t in of}
    chosen: list[str] = []
    spent = 0.0
    for test in _in_order(users, lines, mutant)[:MOST_TESTS]:
        if not chosen or spent + lines.seconds[test] <= most_s:
            spent += lines.seconds[test]
            chosen.append(lines.tests[test])
    return chosen


def _in_order(users: set[int], lines: Lines, mutant: Mutant) -> list[int]:
    """Put tests in the order in which they are tried."""
    own_folder, named = f"tests/{mutant.path.split('/')[2]}/", mutant.scope.split(".")[0].replace("_", "-")
    cases: Counter[str] = Counter()
    keys: dict[int, tuple[bool, int, bool, float]] = {}
    for test in sorted(users, key=lambda t: lines.seconds[t]):
        function, _, case = lines.tests[test].partition("[")
        far = not lines.tests[test].startswith(own_folder)
        slow = far or lines.seconds[test] > QUICK_S
        keys[test] = (case != f"{named}]", slow, cases[function] if slow else 0, lines.seconds[test])
        cases[function] += 1
    return sorted(users, key=lambda t: keys[t])


def _kept_under(names: set[str], paths: list[str]) -> set[str]:
    """Add to some names what is made of one and kept: constants, and functions of which only the first caller runs."""
    while True:
        found = {
            name
            for path in paths
            for name, first, last in _kept(path)
            if not _lines_that_name(path, names).isdisjoint(range(first, last + 1))
        }
        if found <= names:
            return names
        names = names | found


@cache
def _kept(path: str) -> list[tuple[str, int, int]]:
    """List what a file makes once, with its lines: constants, and functions whose values are kept."""
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    kept: list[tuple[str, ast.stmt]] = [
        (node.name, node) for node in functions if any("cache" in ast.unparse(one) for one in node.decorator_list)
    ]
    for node in tree.body:
        if isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            kept += [(part.id, node) for one in targets for part in ast.walk(one) if isinstance(part, ast.Name)]
    return [(name, node.lineno, node.end_lineno or node.lineno) for name, node in kept]


def _names_of_test(test: str) -> set[str]:
    """Give the names and short texts in a test and its cases."""
    path, _, function = test.partition("[")[0].rpartition("::")
    return _names_of_tests(path.split("::")[0]).get(function, set())


@cache
def _names_of_tests(path: str) -> dict[str, set[str]]:
    """Give the names, and texts that may be one, in each test of a file; none where it cannot be read."""
    file = ROOT / path
    out: dict[str, set[str]] = {}
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8") if file.exists() else "")):
        if isinstance(node, ast.FunctionDef):
            texts = (
                one.value for one in ast.walk(node) if isinstance(one, ast.Constant) and isinstance(one.value, str)
            )
            out[node.name] = {text for text in texts if text.isidentifier()}
            out[node.name] |= {one.id for one in ast.walk(node) if isinstance(one, ast.Name)}
            out[node.name] |= {one.attr for one in ast.walk(node) if isinstance(one, ast.Attribute)}
    return out


@cache
def _headers(path: str) -> list[tuple[int, int, int]]:
    """List the functions of a file: their first line, the first of their body and their last."""
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    return [(node.lineno, node.body[0].lineno, node.end_lineno or node.lineno) for node in functions]


def _body_below(path: str, line: int) -> set[int]:
    """List the lines of the function whose header holds a line; none where it is in no header."""
    return {inside for first, body, last in _headers(path) if first <= line < body for inside in range(body, last + 1)}


_named: dict[str, dict[str, set[int]]] = {}


def _lines_that_name(path: str, names: set[str]) -> set[int]:
    """List the lines of a file on which one of some names is read."""
    if path not in _named:
        found: dict[str, set[int]] = {}
        for node in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8"))):
            name = node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else None
            if name is not None:
                found.setdefault(name, set()).add(node.lineno)
        _named[path] = found
    return {line for name in names for line in _named[path].get(name, ())}
