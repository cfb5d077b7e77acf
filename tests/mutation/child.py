"""One mutant in a forked process: the changed module is imported in place of the one on disk, then its tests run."""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

from tests.mutation.operators import Mutant, mutated

ROOT = Path(__file__).resolve().parents[2]

PRELOADED = (
    "numpy pandas pandera pyarrow.parquet duckdb netCDF4 xarray scipy.optimize scipy.stats scipy.special emcee "
    "hypothesis.strategies pytest jinja2 typer.testing rich openpyxl ocfl prov.model schemas"
)
"""Imported once, before the first mutant: everything heavy that is not the room at hand."""

OPTIONS = ("-x", "-q", "--hypothesis-seed=0", "-p", "tests.mutation.examples")
"""Of pytest, wherever a mutant is judged."""

NO_TESTS = 5
"""What pytest ends with where it ran no test."""

SLACK_S, TIMES = 20.0, 6.0
"""A mutant is given this much of the processor beyond so many times the recorded time of its tests; ten times that by
the clock, which runs on while a busy machine does other things."""

MEMORY_BYTES = 12 * 2**30
"""Most that a mutant may ask for."""


class _Finder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module from a changed syntax tree; nothing on disk is touched."""

    def __init__(self, name: str, mutant: Mutant) -> None:
        self.name, self.path = name, ROOT / mutant.path
        source = self.path.read_text(encoding="utf-8")
        self.code = compile(mutated(source, mutant.index), str(self.path), "exec")

    def find_spec(
        self, fullname: str, path: object = None, target: object = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Answer for the changed module alone."""
        if fullname != self.name:
            return None
        folder = [str(self.path.parent)] if self.path.name == "__init__.py" else None
        return importlib.util.spec_from_file_location(
            fullname, self.path, loader=self, submodule_search_locations=folder
        )

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed code."""
        exec(self.code, module.__dict__)


def preload() -> None:
    """Import what every mutant needs and no mutant changes."""
    for name in PRELOADED.split():
        importlib.import_module(name)
    loaded = [name for name in sys.modules if name.split(".")[0] == "stillwell"]
    assert not loaded, loaded


def judged(mutant: Mutant, tests: list[str], seconds: float) -> str:
    """Run the tests of a mutant in a forked process that imports the room anew.

    Parameters
    ----------
    mutant : Mutant
    tests : list of str
    seconds : float
        The tests took without a mutant.

    Returns
    -------
    str
        ``killed``, ``timeout`` (which kills as well), ``survived``, ``untested`` (no test runs it).

    Raises
    ------
    RuntimeError
        If the tests could not be named to pytest, which says nothing about the mutant.
    """
    if not tests:
        return "untested"
    with tempfile.TemporaryDirectory(prefix="stillwell_mutant_") as place:
        ended = forked(lambda: _imported(mutant, tests, place), seconds)
    if ended == NO_TESTS:
        msg = f"expected tests to run against {mutant.key}, found none: {tests[:3]}"
        raise RuntimeError(msg)
    return verdict(ended)


def verdict(ended: int | None) -> str:
    """Name what the end of a process says: None for the clock, else its exit code, negative for a signal."""
    if ended in (None, -signal.SIGXCPU):
        return "timeout"
    # 1: a test failed; 2 and 4: the changed module cannot be imported; below 0: the process was ended by a signal
    return "survived" if ended == 0 else "killed"


def forked(work: Callable[[], int], seconds: float) -> int | None:
    """Do something in a forked process, within the time and memory of a mutant.

    Parameters
    ----------
    work : callable
        Gives the exit code.
    seconds : float
        The tests took without a mutant.

    Returns
    -------
    int or None
        Exit code, negative for a signal; None where the clock ran out.
    """
    limit = SLACK_S + TIMES * seconds
    child = os.fork()
    if child == 0:
        _run(work, limit)
    return _wait(child, 10 * limit)


def _run(work: Callable[[], int], limit: float) -> None:
    """Never returns."""
    code = 70
    try:
        os.setsid()
        os.chdir(ROOT)
        resource.setrlimit(resource.RLIMIT_CPU, (int(limit), int(limit) + 5))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        out = os.open(os.environ.get("STILLWELL_MUTANT_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(out, 1)
        os.dup2(out, 2)
        code = work()
    except BaseException:
        code = 70
    finally:
        os._exit(code)


def _imported(mutant: Mutant, tests: list[str], place: str) -> int:
    """Import the changed module where the room asks for it, and run the tests."""
    name = mutant.path.removeprefix("src/").removesuffix(".py").removesuffix("/__init__").replace("/", ".")
    sys.meta_path.insert(0, _Finder(name, mutant))
    import pytest

    quiet = ("-W", "ignore::pytest.PytestAssertRewriteWarning")
    return int(pytest.main([*OPTIONS, f"--basetemp={place}/tmp", *quiet, *tests]))


def _wait(child: int, limit: float) -> int | None:
    end = time.monotonic() + limit
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            _end_group(child)
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.01)
    _end_group(child)
    os.waitpid(child, 0)
    return None


def _end_group(child: int) -> None:
    """End what the child has started as well; it leads a group of its own."""
    try:
        os.killpg(child, signal.SIGKILL)
    except (ProcessLookupError, PermissionError):
        return
