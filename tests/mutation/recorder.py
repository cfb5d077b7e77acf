"""Pytest plugin: which tests run which lines of ``src``, and how long each takes, written as JSON.

Lines run by a fixture wider than a test count for every test that asks for the fixture. The file is named by
``STILLWELL_LINES``.
"""

from __future__ import annotations

import json
import os
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]
WIDE = "wide fixture "

_coverage = coverage.Coverage(data_file=None, config_file=False, include=[f"{ROOT}/src/*"], messages=False)
_seconds: dict[str, float] = {}
_asked: dict[str, set[str]] = defaultdict(set)
_bad: list[str] = []
_now = ""


def pytest_configure() -> None:
    """Begin before anything of the project is imported."""
    _coverage.start()


def pytest_collection_finish(session: pytest.Session) -> None:
    """Note who asks for which fixture."""
    for item in session.items:
        for name in getattr(item, "fixturenames", ()):
            _asked[name].add(item.nodeid)


def _switch(name: str) -> None:
    global _now
    _now = name
    _coverage.switch_context(name)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Lines run from here on are those of this test."""
    begun = time.monotonic()
    _switch(item.nodeid)
    try:
        return (yield)
    finally:
        _seconds[item.nodeid] = time.monotonic() - begun
        _switch("")


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(fixturedef: Any) -> Iterator[None]:
    """Lines run by a fixture of a module or session belong to all who ask for it."""
    before = _now
    if fixturedef.scope != "function":
        _switch(f"{WIDE}{fixturedef.argname}")
    try:
        return (yield)
    finally:
        _switch(before)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """A test that fails without a mutant cannot judge one."""
    if report.failed:
        _bad.append(report.nodeid)


def pytest_sessionfinish() -> None:
    """Write lines and seconds."""
    _coverage.stop()
    data = _coverage.get_data()
    names = sorted(_seconds)
    number = {name: i for i, name in enumerate(names)}
    lines: dict[str, dict[int, list[int]]] = {}
    for file in data.measured_files():
        of_file = lines[Path(file).relative_to(ROOT).as_posix()] = {}
        for line, contexts in data.contexts_by_lineno(file).items():
            tests = {name for context in contexts for name in _tests(context)}
            of_file[line] = sorted(number[name] for name in tests if name in number)
    whole = {"tests": names, "seconds": [_seconds[n] for n in names], "failed": sorted(set(_bad)), "lines": lines}
    Path(os.environ["STILLWELL_LINES"]).write_text(json.dumps(whole), encoding="utf-8")


def _tests(context: str) -> set[str]:
    return _asked[context.removeprefix(WIDE)] if context.startswith(WIDE) else {context}
