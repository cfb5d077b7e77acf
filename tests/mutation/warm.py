"""A process that has collected the tests of a room; a mutant is judged in a fork of it, with nothing to import.

There the code of the changed function is put in place of what the function ran before, wherever it is held. What
has run already by then (a constant, a default, what makes a value kept after the first call) cannot be changed so;
``child.judged`` does that.
"""

from __future__ import annotations

import gc
import os
import shutil
import signal
import tempfile
from functools import cache
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from types import CodeType, FunctionType

import coverage
import pytest

from tests.mutation.child import OPTIONS, ROOT, forked, verdict
from tests.mutation.operators import Mutant, mutated

Place = tuple[str, int]
"""Qualified name and first line of a function."""

NOT_HERE = "not here"
"""Answer for a mutant that must be imported."""

LOST = 71
"""Exit code where the changed function is not held by anything."""


class Warm:
    """The process, started with the test files it is to collect."""

    def __init__(self, files: list[str]) -> None:
        self._line, other = Pipe()
        self._folder = tempfile.mkdtemp(prefix="stillwell_mutants_")
        self._child = os.fork()
        if self._child == 0:
            self._line.close()
            _serve(other, files, self._folder)
        other.close()

    def judged(self, mutant: Mutant, tests: list[str], seconds: float) -> str:
        """Run the tests of a mutant; the verdicts of ``child.judged``, or ``NOT_HERE``."""
        if not tests:
            return "untested"
        self._line.send((mutant, tests, seconds))
        return str(self._line.recv())

    def close(self) -> None:
        """End the process."""
        self._line.close()
        os.kill(self._child, signal.SIGKILL)
        os.waitpid(self._child, 0)
        shutil.rmtree(self._folder, ignore_errors=True)


def _serve(line: Connection, files: list[str], folder: str) -> None:
    """Never returns."""
    try:
        os.chdir(ROOT)
        os.environ["TMPDIR"] = tempfile.tempdir = folder
        out = os.open(f"{folder}/said", os.O_WRONLY | os.O_CREAT)
        os.dup2(out, 1)
        os.dup2(out, 2)
        options = [*OPTIONS, f"--basetemp={folder}/tmp", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
        lines = coverage.Coverage(data_file=None, config_file=False, include=[f"{ROOT}/src/*"], messages=False)
        lines.start()
        pytest.main([*options, *files], plugins=[_Answering(line, lines)])
    finally:
        os._exit(0)


class _Answering:
    """Pytest plugin that runs what it is asked for instead of everything."""

    def __init__(self, line: Connection, lines: coverage.Coverage) -> None:
        self.line, self.lines = line, lines
        self.in_fork = False
        self.held: dict[str, list[FunctionType]] = {}

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Answer until nobody asks."""
        self.lines.stop()
        items = {item.nodeid: item for item in session.items}
        self.held = held()
        gc.freeze()
        while True:
            try:
                mutant, tests, seconds = self.line.recv()
            except EOFError:
                return True
            known = all(test in items for test in tests)
            self.line.send(self._answer(mutant, [items[test] for test in tests], seconds) if known else NOT_HERE)

    def _answer(self, mutant: Mutant, items: list[pytest.Item], seconds: float) -> str:
        ran = self.lines.get_data().lines(str(ROOT / mutant.path)) or ()
        if not set(ran).isdisjoint(range(mutant.line, mutant.end + 1)):
            return NOT_HERE
        changed = _changed(mutant)
        ended = forked(lambda: self._run(mutant, changed, items), seconds)
        return NOT_HERE if ended == LOST else verdict(ended)

    def _run(self, mutant: Mutant, changed: dict[Place, CodeType], items: list[pytest.Item]) -> int:
        self.in_fork = True
        if not put_in_place(self.held.get(str(ROOT / mutant.path), []), changed):
            return LOST
        for item, after in zip(items, [*items[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        return 0

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """End at the first failure."""
        if self.in_fork and report.failed:
            os._exit(1)


def held() -> dict[str, list[FunctionType]]:
    """List the functions there are, by the file of their code; what decorators hide is among them."""
    out: dict[str, list[FunctionType]] = {}
    gc.unfreeze()  # frozen objects are not listed
    gc.collect()
    for one in gc.get_objects():
        if isinstance(one, FunctionType):
            out.setdefault(one.__code__.co_filename, []).append(one)
    return out


def put_in_place(functions: list[FunctionType], changed: dict[Place, CodeType]) -> int:
    """Give those functions that stand at some place other code; say how many there were."""
    number = 0
    for one in functions:
        new = changed.get((one.__code__.co_qualname, one.__code__.co_firstlineno))
        if new is not None and len(new.co_freevars) == len(one.__code__.co_freevars):
            one.__code__ = new
            number += 1
    return number


def _changed(mutant: Mutant) -> dict[Place, CodeType]:
    """Compile the functions that a mutant changes."""
    source, file = (ROOT / mutant.path).read_text(encoding="utf-8"), str(ROOT / mutant.path)
    before = _functions_of(source, file)
    after = _functions(compile(mutated(source, mutant.index), file, "exec"))
    return {place: code for place, code in after.items() if code != before.get(place)}


@cache
def _functions_of(source: str, file: str) -> dict[Place, CodeType]:
    return _functions(compile(source, file, "exec"))


def _functions(code: CodeType) -> dict[Place, CodeType]:
    """List the functions compiled within a module or function."""
    out: dict[Place, CodeType] = {}
    for one in code.co_consts:
        if isinstance(one, CodeType):
            out[one.co_qualname, one.co_firstlineno] = one
            out |= _functions(one)
    return out
