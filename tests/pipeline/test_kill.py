"""kill -9 at any moment of an ingest: nothing sealed is lost, no half commit is seen, the next command works."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time

import pytest

from stillwell.archive.archive import Archive
from stillwell.audit import audit
from tests.pipeline.season import season, sheets

CHILD = """
import sys
from pathlib import Path
import stillwell.rendering
from stillwell.pipeline import ingest
print("ready", flush=True)
sys.stdin.readline()
ingest(Path(sys.argv[1]), [Path(sys.argv[2])], by="T1")
"""


def _killed_after(seconds, root, deposit):
    """Start an ingest whose libraries are loaded, and kill it after some time; True when it had not ended."""
    command = [sys.executable, "-c", CHILD, str(root), str(deposit)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as child:
        child.stdout.readline()
        child.stdin.write(b"\n")
        child.stdin.flush()
        time.sleep(seconds)
        running = child.poll() is None
        os.kill(child.pid, signal.SIGKILL)
    return running


def _rounds(tmp_path, count, seed):
    random.seed(seed)
    root = season(tmp_path)
    killed = 0
    for number in range(count):
        label = str(3 + number % 25)
        deposit = sheets(tmp_path / f"d{number}", label, velocity=0.3 + number / 1000)
        before = Archive(root).standing("gaugings")
        killed += _killed_after(random.uniform(0.0, 0.45), root, deposit)
        after = Archive(root).standing("gaugings")
        assert len(after) in (len(before), len(before) + 1)
        report = audit(root, recompute=number % 10 == 0)
        assert report.faults == (), report.faults
    deposit = sheets(tmp_path / "last", "1", "2", "3", velocity=0.9)
    done = subprocess.run(
        [sys.executable, "-m", "stillwell.cli", "ingest", str(deposit), "--archive", str(root), "--by", "T1"],
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert audit(root).faults == ()
    return killed


def test_a_few_kills(tmp_path):
    """Six kills at random moments leave an archive that audits clean each time."""
    assert _rounds(tmp_path, 6, seed=1) > 0


@pytest.mark.soak
def test_many_kills(tmp_path):
    """Two hundred kills do too."""
    assert _rounds(tmp_path, 200, seed=2) > 50
