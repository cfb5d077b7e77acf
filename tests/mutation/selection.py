"""Which tests a mutant is held against: those that run its line, the shortest first."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.operators import Mutant

ROOT = Path(__file__).resolve().parents[2]

NEAREST = {
    "hydrometry": ("tests/hydrometry", "tests/published", "tests/findings"),
    "assessment": ("tests/assessment", "tests/findings", "tests/prepare", "tests/published"),
    "archive": ("tests/archive", "tests/golden", "tests/pipeline/test_ingest.py", "tests/pipeline/test_keeping.py"),
}
"""Where the tests of a room are looked for."""

MOST_TESTS = 60
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
        Where the notes go; read again if it is there.

    Returns
    -------
    Lines

    Raises
    ------
    RuntimeError
        If a test fails without any mutant.
    """
    if not file.exists():
        environment = {**os.environ, "STILLWELL_LINES": str(file), "PYTHONPATH": str(ROOT)}
        options = ("-q", "-m", "not soak", "-p", "tests.mutation.recorder", "--hypothesis-seed=0")
        command = [sys.executable, "-m", "pytest", *options, *NEAREST[room]]
        subprocess.run(command, cwd=ROOT, env=environment, check=False, stdout=subprocess.DEVNULL)
    whole = json.loads(file.read_text(encoding="utf-8"))
    if whole["failed"]:
        msg = (
            f"expected tests that pass without a mutant, found {len(whole['failed'])} that fail: {whole['failed'][:3]}"
        )
        raise RuntimeError(msg)
    lines = {path: {int(line): tests for line, tests in of.items()} for path, of in whole["lines"].items()}
    return Lines(tuple(whole["tests"]), tuple(whole["seconds"]), lines)


def selected(mutant: Mutant, lines: Lines) -> list[str]:
    """Choose the tests of a mutant.

    A line that runs only when its module is imported (a constant, a default), or whose value is kept after the first
    call, is held against the tests that run a line which names it.

    Returns
    -------
    list of str
        Shortest first, at most ``MOST_TESTS`` and ``MOST_SECONDS``, but always one.
    """
    own = lines.of(mutant.path, set(range(mutant.line, mutant.end + 1)))
    names = set(mutant.names)
    users = set(own)
    if mutant.at_import or not own:
        for path in lines.lines:
            users |= lines.of(path, _lines_that_name(path, names))
        users = users or {t for of in lines.lines.get(mutant.path, {}).values() for t in of}
    own_folder = f"tests/{mutant.path.split('/')[2]}/"
    order = sorted(users, key=lambda t: (not lines.tests[t].startswith(own_folder), lines.seconds[t]))
    if len(order) > MOST_TESTS:  # half of the room's own, half of all others, so that neither crowds out the other
        order = sorted(users, key=lambda t: lines.seconds[t])
    chosen: list[str] = []
    spent = 0.0
    for test in order[:MOST_TESTS]:
        spent += lines.seconds[test]
        if chosen and spent > MOST_SECONDS:
            break
        chosen.append(lines.tests[test])
    return chosen


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


def plain(test: str) -> str:
    """Name the file of a test."""
    return re.split("::", test)[0]
