"""The readers under any bytes: no exception but ours, bounded time and memory, and no row lost in silence."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from tests.hostile.targets import TARGETS, starts

SECONDS = {"csv": 60, "zip": 60, "workbook": 120, "map": 120, "policy": 60, "table": 120, "deposit": 180}
"""Time of each target in the long form."""
SLOWEST_S, MOST_MIB = 25, 2048
"""Of one input; libFuzzer ends a run that is slower or larger."""


@pytest.mark.parametrize("target", TARGETS)
def test_starts(target):
    """What the fuzzer starts from, and what it once found, holds."""
    inputs = starts(target)
    assert inputs
    for data in inputs:
        TARGETS[target](data)


@pytest.mark.soak
@pytest.mark.parametrize("target", TARGETS)
def test_mutated_inputs(target, tmp_path):
    """Mutations that reach new code of intake are kept and mutated on, for a minute or some."""
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    limits = [f"-max_total_time={SECONDS[target]}", f"-timeout={SLOWEST_S}", f"-rss_limit_mb={MOST_MIB}"]
    options = [*limits, "-max_len=4096", "-print_final_stats=1", f"-artifact_prefix={tmp_path}/"]
    command = [sys.executable, "-m", "tests.hostile.fuzz", target, *options, str(corpus)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-4000:]
    tried = re.search(r"Done (\d+) runs", done.stderr)
    assert tried, done.stderr[-4000:]
    assert int(tried[1]) > len(starts(target))
