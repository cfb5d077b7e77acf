"""kill -9 at any moment of any writing command: nothing sealed is lost, no half commit is seen."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import bagit
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.sealed import Sealed
from stillwell.pipeline.adopt import adopt
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import ingest
from stillwell.pipeline.rebuild import rebuild
from tests.pipeline.commands_to_kill import COMMANDS
from tests.pipeline.season import TODAY, season, sheets
from tests.reading.recorded_stage import START, logger, rating

ROOT = Path(__file__).resolve().parents[2]
ACTS = ("ingest", "review", "take", "render", "logger", "derive", "compact", "withhold", "publish", "rebuild")
REBUILT_FROM_MANY = 40
"""Commits from which on an archive is rebuilt no more: it takes too long."""


class Commands:
    """Runs commands in processes of their own and kills them."""

    def __enter__(self):
        command = [sys.executable, "-m", "tests.pipeline.commands_to_kill"]
        self._of = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        return self

    def __exit__(self, *_):
        self._of.stdin.close()
        self._of.wait()
        self._of.stdout.close()

    def _asked(self, **said):
        self._of.stdin.write(json.dumps(said) + "\n")
        self._of.stdin.flush()
        return int(self._of.stdout.readline())

    def run(self, what, root, subject, seconds=None):
        """Run a command, killed after some seconds; how it ended (-9 where it was killed) and the seconds it took."""
        begun = time.perf_counter()
        process = self._asked(what=what, root=str(root), subject=str(subject))
        if seconds is not None:
            time.sleep(seconds)
            os.kill(process, signal.SIGKILL)
        return self._asked(wait=process), time.perf_counter() - begun


def _archive(tmp):
    """Make an archive of two gaugings and a rating, from which a record can be derived."""
    root = season(tmp)
    adopt(root, rating("R1", "2025-01-01T00:00Z"), by="H1", now=TODAY)
    sites = (
        "site,name,latitude,longitude,utc_offset,licence,owner,access\nS1,Invented,10,20,+00:00,CC0-1.0,Office,open\n"
    )
    (tmp / "open").mkdir()
    (tmp / "open" / "sites.csv").write_text(sites)
    ingest(root, [tmp / "open"], by="T1", now=TODAY)
    return root


def _subject(tmp, root, what, number):
    """Name the command of an act, and what it is about."""
    if what in ("ingest", "take"):
        return what, sheets(tmp / f"d{number}", str(3 + number % 25), velocity=0.3 + number / 10_000)
    if what == "logger":
        return "take", logger(tmp / f"d{number}", "a", 49, start=START + pd.Timedelta(days=number % 300))
    if what == "review":
        return what, f"S1.202505{1 + number % 2:02d}T100000Z.M1"
    if what == "withhold":
        sealed = Sealed(root)
        digests = [note["deposit"] for entry in Archive(root).ledger.entries() for note in entry.deposits]
        # never the first, whose registers all else rests on
        return what, next(digest for digest in reversed(digests[1:]) if not sealed.withheld(digest))
    return what, tmp / f"{what}{number}"


def _sealed(root):
    """Read every sealed content file."""
    return {p: p.read_bytes() for p in (root / "sealed").rglob("*") if p.is_file()}


def _checked(tmp, root, what, subject, before, number):
    """Hold what is left after a kill against what was there before."""
    standing, sealed, head = before
    archive = Archive(root)
    assert len(archive.standing("gaugings")) in (standing, standing + (what in ("ingest", "take")))
    if what in ("publish", "rebuild"):
        assert archive.ledger.head_number() == head
        assert what == "rebuild" or not Path(subject).exists() or bagit.Bag(str(subject)).is_valid()
    now = _sealed(root)
    changed = {path for path, data in sealed.items() if now.get(path) != data}
    # a withholding that was cut short after its decision is finished by the next writer, whatever that does
    decided = set(archive.read("withholdings")["subject"])
    assert all(path.relative_to(root / "sealed").parts[3].rpartition("%3a")[2] in decided for path in changed)
    report = audit(root, recompute=number % 100 == 0)
    assert report.faults == (), (what, report.faults)


def _rounds(tmp_path, seed, acts=10**9, kills=10**9):
    """Begin so many commands, or kill so many, at moments from their start to their end; count both by command."""
    draw, killed, begun = random.Random(seed), Counter(), Counter()
    root, usual = _archive(tmp_path), dict.fromkeys(COMMANDS, 0.4)
    number = -1
    with Commands() as commands:
        while killed.total() < kills and number + 1 < acts:
            number += 1
            act = ACTS[number % len(ACTS)]
            head = Archive(root).ledger.head_number()
            if act == "rebuild" and head > REBUILT_FROM_MANY:
                continue
            what, subject = _subject(tmp_path, root, act, number)
            before = len(Archive(root).standing("gaugings")), _sealed(root), head
            # every tenth turn each command runs to its end, which shows how long it takes
            whole = acts > len(ACTS) and number // len(ACTS) % 10 == 0
            ended, spent = commands.run(what, root, subject, None if whole else draw.uniform(0.0, usual[what]))
            assert ended in ((0,) if whole else (0, -signal.SIGKILL)), (what, subject, ended)
            usual[what] = 1.1 * spent if whole else usual[what]
            killed[what] += ended < 0
            begun[what] += 1
            _checked(tmp_path, root, what, subject, before, number)
            if what in ("publish", "rebuild"):
                _again_after(what, root, subject, ended)
    assert ingest(root, [sheets(tmp_path / "last", "1", "2", "3", velocity=0.9)], by="T1", now=TODAY).all_good
    assert audit(root).faults == ()
    return killed, begun


def _again_after(what, root, subject, ended):
    """A rebuilding cut short is cleared and finished; of both nothing is kept."""
    if what == "rebuild" and ended < 0:
        made = rebuild(root, subject, start_over=True)
        assert made.different == ()
    shutil.rmtree(subject, ignore_errors=True)


def test_a_few_kills(tmp_path):
    """One turn of kills at random moments of every command leaves an archive that audits clean each time."""
    killed, begun = _rounds(tmp_path, seed=1, acts=len(ACTS))
    assert killed.total() > 3
    assert set(begun) == set(COMMANDS)


@pytest.mark.soak
@pytest.mark.parametrize("seed", [2, 3, 4, 5])
def test_many_kills(tmp_path, seed, capsys):
    """A thousand kills in four archives do too; printed."""
    killed, begun = _rounds(tmp_path, seed, kills=250)
    with capsys.disabled():
        told = ", ".join(f"{what} {killed[what]} of {begun[what]}" for what in COMMANDS)
        sys.stdout.write(f"\nseed {seed}: killed {told}; the archive sound after each\n")
    assert killed.total() == 250
