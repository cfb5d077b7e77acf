"""One mutant in a forked process: the changed module is imported in place of the one on disk, then its tests run."""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import os
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path
from types import ModuleType

from tests.mutation.operators import Mutant, mutated

ROOT = Path(__file__).resolve().parents[2]

PRELOADED = (
    "numpy pandas pandera pyarrow.parquet duckdb netCDF4 xarray scipy.optimize scipy.stats scipy.special emcee "
    "hypothesis.strategies pytest jinja2 typer.testing rich openpyxl ocfl prov.model schemas"
)
"""Imported once, before the first mutant: everything heavy that is not the room at hand."""

NO_TESTS = 5
"""What pytest ends with where it ran no test."""

SLACK_S, TIMES = 60.0, 10.0
"""A mutant is given this many seconds beyond so many times the recorded time of its tests."""


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
    """Run the tests of a mutant in a forked process.

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
    place = tempfile.mkdtemp(prefix="stillwell_mutant_")
    child = os.fork()
    if child == 0:
        _run(mutant, tests, place)
    try:
        ended = _wait(child, SLACK_S + TIMES * seconds)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    if ended is None:
        return "timeout"
    if ended == NO_TESTS:
        msg = f"expected tests to run against {mutant.key}, found none: {tests[:3]}"
        raise RuntimeError(msg)
    # 1: a test failed; 2 and 4: the changed module cannot be imported; below 0: the process was ended by a signal
    return "survived" if ended == 0 else "killed"


def _run(mutant: Mutant, tests: list[str], place: str) -> None:
    """Never returns."""
    code = 70
    try:
        os.setsid()
        os.chdir(ROOT)
        out = os.open(os.environ.get("STILLWELL_MUTANT_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(out, 1)
        os.dup2(out, 2)
        os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = f"{place}/hypothesis"
        name = mutant.path.removeprefix("src/").removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        sys.meta_path.insert(0, _Finder(name, mutant))
        import pytest

        options = [
            "-x",
            "-q",
            "--hypothesis-seed=0",
            f"--basetemp={place}/tmp",
            "-W",
            "ignore::pytest.PytestAssertRewriteWarning",
        ]
        code = int(pytest.main([*options, *tests]))
    except BaseException:
        code = 70
    finally:
        os._exit(code)


def _wait(child: int, limit: float) -> int | None:
    end = time.monotonic() + limit
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            _end_group(child)
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    _end_group(child)
    os.waitpid(child, 0)
    return None


def _end_group(child: int) -> None:
    """End what the child has started as well; it leads a group of its own."""
    try:
        os.killpg(child, signal.SIGKILL)
    except (ProcessLookupError, PermissionError):
        return
