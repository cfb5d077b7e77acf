"""Run a command and measure the memory it takes at its peak; of the standard library only, so that it is small itself.

``python tests/benchmarks/watched.py COMMAND ...`` prints one JSON object; what the command prints goes to stderr.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

STEP_S = 0.05
"""Seconds from one look at the processes to the next."""


def family(root: int) -> list[int]:
    """Name the living processes of a tree, from its root on, by what ``/proc`` lists as children."""
    found, open_ = [], [root]
    while open_:
        one = open_.pop()
        found.append(one)
        for task in Path(f"/proc/{one}/task").glob("*/children"):
            try:
                open_ += [int(word) for word in task.read_text().split()]
            except OSError:
                continue
    return found


def held_kb(process: int) -> tuple[int, int]:
    """Read the resident memory of a process now, and its peak so far as the kernel counts; 0 where it is gone."""
    try:
        status = Path(f"/proc/{process}/status").read_text()
    except OSError:
        return 0, 0
    now, peak = (re.search(rf"^{name}:\s+(\d+) kB", status, re.MULTILINE) for name in ("VmRSS", "VmHWM"))
    return (int(now[1]) if now else 0), (int(peak[1]) if peak else 0)


def watch(command: list[str]) -> dict[str, float]:
    """Run a command and return its exit code, seconds and peaks.

    Parameters
    ----------
    command : list of str

    Returns
    -------
    dict of str to float
        ``code``; ``seconds``, by the clock; ``worked_s``, of processors; ``each_mb``, the largest resident memory of a
        single process as the kernel counts it (``VmHWM`` at the looks, ``ru_maxrss`` at the end); ``together_mb``, the
        largest sum of resident memory over the tree of processes at one look, or ``each_mb`` where that is more: pages
        that several processes share count in each of them; ``processes``, the most at one look.
    """
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=sys.stderr)
    together = each = most = 0
    while True:
        pid, status, used = os.wait4(process.pid, os.WNOHANG)
        if pid:
            break
        looks = [held_kb(one) for one in family(process.pid)]
        together = max(together, sum(now for now, _ in looks))
        each = max([each, *(peak for _, peak in looks)])
        most = max(most, len(looks))
        time.sleep(STEP_S)
    process.returncode = os.waitstatus_to_exitcode(status)
    each = max(each, used.ru_maxrss)
    return {
        "code": process.returncode,
        "seconds": time.perf_counter() - start,
        "worked_s": used.ru_utime + used.ru_stime,
        "together_mb": max(together, each) / 1024,
        "each_mb": each / 1024,
        "processes": most,
    }


if __name__ == "__main__":
    print(json.dumps(watch(sys.argv[1:])))
