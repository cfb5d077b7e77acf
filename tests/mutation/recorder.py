"""Pytest plugin: which tests run which lines of ``src``, and how long each takes, written as JSON by file of tests.

Lines run by a fixture wider than a test count for every test that asks for the fixture. A test that takes the
processor for longer than ``LONGEST_S`` is broken off and not listed: it is too slow to hold against hundreds of
mutants. The file is named by ``STILLWELL_LINES``.
"""

from __future__ import annotations

import json
import os
import signal
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]
WIDE = "wide fixture "

LONGEST_S = 6.0
"""Of the processor, with the lines noted, which takes about twice the time of the plain test."""

_coverage = coverage.Coverage(data_file=None, config_file=False, include=[f"{ROOT}/src/stillwell/*"], messages=False)
_seconds: dict[str, float] = {}
_asked: dict[str, set[str]] = defaultdict(set)
_slow: set[str] = set()
_bad: set[str] = set()
_now = ""
_testing = ""


class TooSlowError(BaseException):
    """No error of the test: it took longer than a mutant is worth."""


def _broken_off(signum: int, frame: object) -> None:
    _slow.add(_testing)  # the test may catch the error and fail in another way
    raise TooSlowError


def pytest_configure() -> None:
    """Begin before anything of the project is imported."""
    signal.signal(signal.SIGPROF, _broken_off)
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


def _processor_s() -> float:
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Lines run from here on are those of this test."""
    begun = _processor_s()
    _switch(item.nodeid)
    try:
        return (yield)
    finally:
        _seconds[item.nodeid] = _processor_s() - begun
        _switch("")


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Iterator[None]:
    """Break the test off in time, and again if something caught that."""
    global _testing
    _testing = pyfuncitem.nodeid
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S, 1.0)
    try:
        return (yield)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)


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


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    """A test that fails without a mutant cannot judge one."""
    report = yield
    if report.failed and item.nodeid not in _slow:
        _bad.add(item.nodeid)
    return report


def pytest_sessionfinish() -> None:
    """Write lines and seconds by file of tests."""
    _coverage.stop()
    data = _coverage.get_data()
    out: dict[str, dict[str, Any]] = {}
    for test, seconds in _seconds.items():
        of_file = out.setdefault(test.split("::")[0], {"tests": [], "seconds": [], "lines": {}, "slow": []})
        if test in _slow or seconds > LONGEST_S:
            of_file["slow"].append(test)
            continue
        of_file["tests"].append(test)
        of_file["seconds"].append(round(seconds, 3))
    number = {test: i for of_file in out.values() for i, test in enumerate(of_file["tests"])}
    for file in data.measured_files():
        path = Path(file).relative_to(ROOT).as_posix()
        for line, contexts in data.contexts_by_lineno(file).items():
            for test in sorted({name for context in contexts for name in _tests(context)} & number.keys()):
                out[test.split("::")[0]]["lines"].setdefault(path, {}).setdefault(line, []).append(number[test])
    Path(os.environ["STILLWELL_LINES"]).write_text(json.dumps({"files": out, "failed": sorted(_bad)}), encoding="utf-8")


def _tests(context: str) -> set[str]:
    return _asked[context.removeprefix(WIDE)] if context.startswith(WIDE) else {context}
