"""kill -9 at any moment of an ingest, a review or a compaction: nothing sealed is lost, no half commit is seen."""

from __future__ import annotations

import random
import subprocess
import sys
import time

import pytest

from stillwell.archive.archive import Archive
from stillwell.audit import audit
from stillwell.pipeline import ingest
from tests.pipeline.season import TODAY, season, sheets

CHILD = """
import sys
from pathlib import Path
import stillwell.render
from stillwell import committing, pipeline
from stillwell.archive.clock import RightClock
now = RightClock(committing.utc_now)
root, what, subject = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
print("ready", flush=True)
sys.stdin.readline()
if what == "ingest":
    pipeline.ingest(root, [Path(subject)], by="T1", now=now)
elif what == "review":
    row = {"subject": subject, "decision": "approved", "reason": "looked at"}
    pipeline.decide(root, "reviews", [row], by="R1", now=now)
else:
    pipeline.compact(root, most=3, keep_days=0, by="T1", now=now)
"""
ACTS = ("ingest", "ingest", "review", "ingest", "compact")


def _killed_after(seconds, root, what, subject):
    """Start a command whose libraries are loaded, and kill it after some time; True when it had not ended."""
    command = [sys.executable, "-c", CHILD, str(root), what, str(subject)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as child:
        child.stdout.readline()
        child.stdin.write(b"\n")
        child.stdin.flush()
        time.sleep(seconds)
        running = child.poll() is None
        child.kill()
    return running


def _sealed(root):
    """Read every sealed content file."""
    return {p: p.read_bytes() for p in (root / "sealed").rglob("*") if p.is_file()}


def _rounds(tmp_path, kills, seed):
    """Kill so many commands, at moments from their start to a little after they would have ended; count all begun."""
    random.seed(seed)
    root = season(tmp_path)
    killed, number = 0, -1
    begun = time.perf_counter()
    ingest(root, [sheets(tmp_path / "timed", "28")], by="T1", now=TODAY)
    longest = 1.2 * (time.perf_counter() - begun)
    while killed < kills:
        number += 1
        what = ACTS[number % len(ACTS)]
        label = str(3 + number % 25)
        subject = f"S1.202505{1 + number % 2:02d}T100000Z.M1"
        if what == "ingest":
            subject = sheets(tmp_path / f"d{number}", label, velocity=0.3 + number / 10_000)
        before, sealed = Archive(root).standing("gaugings"), _sealed(root)
        killed += _killed_after(random.uniform(0.0, longest), root, what, subject)
        after = Archive(root).standing("gaugings")
        assert len(after) in (len(before), len(before) + (what == "ingest"))
        now = _sealed(root)
        assert all(now.get(path) == data for path, data in sealed.items())
        report = audit(root, recompute=number % 25 == 0)
        assert report.faults == (), report.faults
    deposit = sheets(tmp_path / "last", "1", "2", "3", velocity=0.9)
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "stillwell.cli",
            "ingest",
            str(deposit),
            "--archive",
            str(root),
            "--by",
            "T1",
            "--clock-is-right",
        ],
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert audit(root).faults == ()
    return number + 1


def test_a_few_kills(tmp_path):
    """Some kills at random moments of ingests, reviews and compactions leave an archive that audits clean each time."""
    assert _rounds(tmp_path, 4, seed=1) >= 4


@pytest.mark.soak
@pytest.mark.parametrize("seed", [2, 3, 4, 5])
def test_many_kills(tmp_path, seed, capsys):
    """A thousand kills in four archives do too; printed."""
    begun = _rounds(tmp_path, 250, seed=seed)
    with capsys.disabled():
        sys.stdout.write(f"\nseed {seed}: 250 of {begun} commands killed, the archive sound after each\n")
    assert begun >= 250
