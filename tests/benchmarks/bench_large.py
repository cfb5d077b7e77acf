"""What the ingest of one large deposit takes of memory, measured in a process of its own."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from pathlib import Path

from stillwell.pipeline.ingest import ingest
from tests.benchmarks.run import VERTICALS, deposit

COUNT = 200_000
MOST_GB = 3.0


def large_line(tmp: Path, count: int = COUNT) -> str:
    """Say what the ingest of a deposit of many gaugings took at its peak, and how long."""
    tmp.mkdir(exist_ok=True)
    for step in ("make", "take"):
        done = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.bench_large", step, str(tmp), str(count)],
            capture_output=True,
            text=True,
            check=True,
            cwd=Path(__file__).resolve().parents[2],
        )
    peak, spent = (float(word) for word in done.stdout.split())
    return (
        f"ingest of one deposit of {count:,} gaugings x {VERTICALS}: peak memory {peak:.2f} GB, "
        f"{peak / MOST_GB:.2f} x the {MOST_GB:g} GB promised ({spent:.0f} s; libraries and bytes included)"
    )


def main() -> int:
    """Make the deposit, or take it and print the peak in GB and the seconds."""
    step, tmp, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    if step == "make":
        deposit(tmp / "large", count)
        return 0
    start = time.perf_counter()
    ingest(tmp / "archive", [tmp / "large"], by="bench")
    spent = time.perf_counter() - start
    print(_peak_gb(), spent)
    return 0


def _peak_gb() -> float:
    """Return the most memory this process held; what the system counts for it otherwise begins with its parent's."""
    status = Path("/proc/self/status").read_text()
    return int(re.search(r"VmHWM:\s+(\d+) kB", status)[1]) / 2**20  # type: ignore[index]


if __name__ == "__main__":
    sys.exit(main())
