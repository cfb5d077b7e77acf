"""How long the audit's proof takes by how many commits hold the same gaugings, and by how many processes share it."""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from stillwell.audit import audit
from tests.pipeline.season import registers, sheets, take


def made(folder: Path, gaugings: int, commits: int) -> Path:
    """Make an archive of so many gaugings, a party each, evenly in so many commits."""
    take(folder / "archive", registers(folder / "registers"))
    each = gaugings // commits
    for i in range(commits):
        parts = [
            sheets(folder / f"d{i}" / str(j), str(1 + (i * each + j) % 28), party=f"P{(i * each + j) // 28}")
            for j in range(each)
        ]
        take(folder / "archive", *parts)
    return folder / "archive"


def seconds(root: Path, processes: int) -> float:
    """Measure one audit of a sound archive."""
    begun = time.perf_counter()
    assert audit(root, processes=processes).faults == ()
    return time.perf_counter() - begun


def main() -> None:
    """Print seconds and ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gaugings", type=int, default=1000)
    parser.add_argument("--commits", type=int, nargs="+", default=[1, 60, 1000])
    parser.add_argument("--processes", type=int, default=2)
    said = parser.parse_args()
    first = 0.0
    with tempfile.TemporaryDirectory() as place:
        for commits in said.commits:
            whole = said.gaugings - said.gaugings % commits
            root = made(Path(place) / str(commits), whole, commits)
            alone, shared = seconds(root, 0), seconds(root, said.processes)
            first = first or alone
            print(
                f"{whole} gaugings in {commits} commits: {alone:.1f} s, {alone / first:.1f} x the first; "
                f"{shared:.1f} s with {said.processes} processes, {alone / shared:.2f} x faster",
                flush=True,
            )


if __name__ == "__main__":
    main()
