"""Death at any moment of a commit: no sealed byte lost, no half commit visible, the next writer works."""

from __future__ import annotations

import itertools
import pickle
import shutil
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.archive.ledger.clock import RightClock
from stillwell.archive.writing.writer import STEPS, open_writer
from stillwell.fingerprint import sha256
from tests.archive.deaths import Death, dying_at


class DyingSystem:
    """The operating system, until a number of calls have been made; or of writes, the last of them torn."""

    def __init__(self, patch, calls, torn=False):
        self.left = calls
        self.torn = torn
        for call in fields(fs.System):
            patch.setattr(fs.system, call.name, self._dying(call.name, getattr(fs.System(), call.name)))
        patch.setattr(shutil, "rmtree", self._dying("rmtree", shutil.rmtree))

    def _dying(self, name, real):
        def call(*args):
            counted = name == "write" or not self.torn
            if self.left == 0 and counted and self.torn:
                handle, data = args
                handle.write(data[: len(data) // 2])
            if self.left < 0 or (self.left == 0 and counted):
                self.left = -1
                raise Death
            self.left -= counted
            return real(*args)

        return call


def clean(root):
    """Hold the disk against the ledger: listed files whole, nothing else there, chain and seals sound."""
    archive = Archive(root)
    assert archive.ledger.chain_faults() + archive.sealed.verify() == []
    for path, file in archive.listing().items():
        assert file.sha256 == sha256((root / path).read_bytes())
    present = {p.relative_to(root).as_posix() for p in root.rglob("*") if p.is_file()}
    others = {p for p in present if p.split("/")[0] not in ("sealed", "ledger", "work")}
    assert set(archive.listing()) == others
    assert [p for p in sorted(present) if p.startswith("work/") or p.endswith(".part")] == ["work/lock"]
    assert [p for p in root.rglob("*") if p.is_dir() and not any(p.iterdir())] == []


def seen(root):
    """Read all that a reader can ask for; every listed document must be given out whole."""
    archive = Archive(root)
    documents = {p: archive.document(p) for p, f in archive.listing().items() if not f.table}
    names = [archive.read(table)["revision"].tolist() for table in ("sites", "reviews")]
    return archive.ledger.head_number(), documents, names


@pytest.fixture
def before(tmp_path, rows, deposit, write):
    """An archive with one commit, and what the second would write."""
    root = tmp_path / "before"
    tables = {"sites": rows("sites", 2, site=["alder", "birch"]), "reviews": rows("reviews")}
    write(root, deposit("first\n"), tables=tables, replacing={"netcdf/alder/a.nc": b"1", "README.txt": b"1"})
    second = {
        "tables": {
            "sites": rows("sites", 2, site=["alder", "cedar"], revision=2),
            "reviews": rows("reviews", revision=2),
        },
        "documents": {"provenance/2.json": b"{}"},
        "replacing": {"netcdf/alder/a.nc": b"2", "netcdf/cedar/c.nc": b"2"},
    }
    return root, (deposit("second\n"), deposit({"a/b": b"x"}, "folder")), second


@pytest.fixture
def fresh(tmp_path):
    """Return a function that copies an archive to a new place."""
    numbers = itertools.count()
    return lambda root: Path(shutil.copytree(root, tmp_path / f"copy{next(numbers)}"))


@pytest.mark.parametrize("every", [7, pytest.param(1, marks=pytest.mark.soak)])
@pytest.mark.parametrize("torn", [False, True])
def test_death_at_every_call_to_the_disk(before, fresh, write, deposit, monkeypatch, torn, every):
    """The process dies at the first call, then every few on or at each; readers see the commit before or after."""
    root, deposits, second = before
    old = seen(root)
    done = fresh(root)
    write(done, *deposits, **second)
    new = seen(done)
    outcomes = []
    for calls in itertools.count(step=every):
        copy = fresh(root)
        with monkeypatch.context() as patch:
            dying = DyingSystem(patch, calls, torn)
            try:
                write(copy, *deposits, **second)
            except Death:
                pass
            else:
                break
        assert dying.left < 0
        after = seen(copy)
        assert after in (old, new)
        outcomes.append(after == new)
        write(copy, *(deposits if after == old else ()), **(second if after == old else {}))
        clean(copy)
        kept = Archive(copy)
        assert new[1:] == seen(copy)[1:]
        assert all(kept.has_deposit(d.digest) and kept.sealed.read(d.digest).files for d in deposits)
        shutil.rmtree(copy)

    assert len(outcomes) * every > (15 if torn else 100)
    assert sorted(outcomes) == outcomes
    # the last write of a commit is that of its entry: torn, it is no commit
    assert ({False} if torn else {False, True}) == set(outcomes)


@pytest.mark.parametrize("every", [7, pytest.param(1, marks=pytest.mark.soak)])
def test_death_of_the_very_first_commit(before, fresh, tmp_path, deposit, monkeypatch, write, rows, every):
    """Where no archive stood before, none or a whole one stands after, and later writers go on."""
    numbers = []
    for calls in itertools.count(step=every):
        root = tmp_path / f"new{calls}"
        with monkeypatch.context() as patch:
            DyingSystem(patch, calls)
            try:
                write(root, deposit("a\n"), tables={"sites": rows("sites")}, replacing={"README.txt": b"1"})
            except Death:
                pass
            else:
                break
        with open_writer(root, software_version="0", by="x"):
            pass
        numbers.append(write(root, deposit("b\n")).number)
        clean(root)
        shutil.rmtree(root)

    assert {1, 2} == set(numbers)
    assert sorted(numbers) == numbers


@pytest.mark.parametrize("every", [3, pytest.param(1, marks=pytest.mark.soak)])
@pytest.mark.parametrize("step", ["declared", "sealed", "written", "staged", "committed", "moved"])
def test_death_of_the_writer_that_cleans_up(before, fresh, write, monkeypatch, step, every):
    """Sweeping and finishing may die at any call too; the writer after that does the rest."""
    root, deposits, second = before
    with pytest.raises(Death):
        write(root, *deposits, step=dying_at(step), **second)
    wanted = seen(root)
    for calls in itertools.count(step=every):
        copy = fresh(root)
        with monkeypatch.context() as patch:
            DyingSystem(patch, calls)
            try:
                with open_writer(copy, software_version="0", by="x"):
                    pass
            except Death:
                pass
            else:
                break
        assert wanted == seen(copy)
        with open_writer(copy, software_version="0", by="x"):
            pass
        clean(copy)
        assert wanted == seen(copy)

    assert calls > 2
    clean(copy)


KILLED = """
import os, pickle, signal, sys
from pathlib import Path
from stillwell.archive.ledger.clock import RightClock
from stillwell.archive.writing.writer import STEPS, Commit, open_writer, utc_now

def die_at(wanted):
    return lambda step: step == wanted and os.kill(os.getpid(), signal.SIGKILL)

root = Path(sys.argv[1])
commit = Commit(**pickle.loads(sys.stdin.buffer.read()))
for step in STEPS:
    child = os.fork()
    if child == 0:
        told = {"software_version": "0", "by": "x", "now": RightClock(utc_now), "step": die_at(step)}
        with open_writer(root / step, **told) as writer:
            writer.commit(commit)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    print(step, os.waitstatus_to_exitcode(status))
"""


def test_a_killed_process(before, fresh, tmp_path, write, clock):
    """Kill -9 at each named step: the lock dies with the process, the next writer has a clean archive."""
    root, deposits, second = before
    old = seen(root)
    for step in STEPS:
        shutil.copytree(root, tmp_path / "killed" / step)
    given = pickle.dumps({"deposits": deposits, **second})
    said = subprocess.run(
        [sys.executable, "-c", KILLED, str(tmp_path / "killed")], input=given, capture_output=True, check=True
    )

    assert [f"{step} -9" for step in STEPS] == said.stdout.decode().splitlines()
    for number, step in enumerate(STEPS):
        place = tmp_path / "killed" / step
        committed = number >= STEPS.index("committed")
        assert (2 if committed else 1) == seen(place)[0]
        assert committed or old == seen(place)
        write(place, *deposits, now=RightClock(clock), **({} if committed else second))
        clean(place)
        assert sorted(seen(place)[2][0])[:4] == [1, 1, 2, 2]
