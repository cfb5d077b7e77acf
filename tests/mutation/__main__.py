"""Seeded mutants of a room, each held against its nearest tests: ``python -m tests.mutation ROOM``.

1. The tests of the room (``selection.NEAREST``) run once, and which lines each runs is noted (``recorder``); a test
   that takes longer than some seconds is broken off and left out. ``--lines FILE`` keeps the notes: later only those
   files of tests run that have changed, or all if the code has.
2. One process imports and collects these tests (``warm``). Each mutant is judged in a fork of it, where the changed
   function runs its changed code; the tests of its line run, one case of each first, up to the first that fails. What
   only an import shows is judged in a fork that imports the room anew (``child``).
3. Each mutant that no test noticed is printed, then the score: killed / (all - equivalent), where a mutant that runs
   out of time is killed. ``--verdicts FILE`` gains a line of JSON with each verdict: what stands there is not judged
   again while the module of the mutant is the same, but for what no test noticed where ``--again`` asks for it.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from tests.mutation.child import ROOT, judged, preload
from tests.mutation.operators import Mutant, of_room
from tests.mutation.selection import MOST_SECONDS, NEAREST, Lines, files_of, recorded, selected
from tests.mutation.warm import NOT_HERE, Warm

EQUIVALENT = Path(__file__).with_name("equivalent.toml")
GOAL = 90.0
LIVED = ("survived", "untested")

FLOORS = {"archive": 75.0}
"""Percent below which a room must not fall of which 300 mutants have not been judged yet; any other must reach the
goal."""


def equivalent() -> dict[str, str]:
    """Read which mutants change nothing that anybody could see, each with its reason."""
    return {one["mutant"]: one["reason"] for one in tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["equivalent"]}


def sampled(room: str, number: int, seed: int) -> list[Mutant]:
    """Draw mutants of a room."""
    return drawn(of_room(ROOT, room), number, seed)


def drawn(every: list[Mutant], number: int, seed: int) -> list[Mutant]:
    """Draw those whose SHA-256 of seed and key comes first: a change of source replaces no mutant but its own."""
    return sorted(every, key=lambda one: hashlib.sha256(f"{seed} {one.key}".encode()).digest())[:number]


def judged_before(file: Path | None) -> dict[str, dict[str, Any]]:
    """Read the newest verdict of each mutant whose module is the same as then, from the lines of a file."""
    if file is None or not file.exists():
        return {}
    lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    return {one["mutant"]: one for one in lines if one["source"] == _source(one["mutant"].split("::")[0])}


@cache
def _source(path: str) -> str:
    """Return the SHA-256 of a module, empty where there is none."""
    return hashlib.sha256((ROOT / path).read_bytes()).hexdigest() if (ROOT / path).exists() else ""


def score(verdicts: Counter[str]) -> float:
    """Return the percentage of mutants noticed, those that are equivalent left out."""
    noticed = verdicts["killed"] + verdicts["timeout"]
    return 100 * noticed / max(noticed + verdicts["survived"] + verdicts["untested"], 1)


def main() -> int:
    """Run."""
    asked = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    asked.add_argument("room", choices=sorted(NEAREST))
    asked.add_argument("--sample", type=int, default=300)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--minutes", type=float, default=0.0, help="stop after so many; 0: judge the whole sample")
    asked.add_argument("--lines", type=Path, help="file that keeps which tests run which lines")
    asked.add_argument("--verdicts", type=Path, help="file of verdicts, which are kept and added to")
    asked.add_argument("--again", action="store_true", help="judge again what no test noticed")
    asked.add_argument("--seconds", type=float, default=MOST_SECONDS, help="recorded time of the tests of one mutant")
    args = asked.parse_args()
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as folder:
        lines = recorded(args.room, args.lines or Path(folder) / "lines.json")
    sample = sampled(args.room, args.sample, args.seed)
    same, before = equivalent(), judged_before(args.verdicts)
    told = {one.key: before[one.key]["verdict"] for one in sample if one.key in before}
    told = {key: verdict for key, verdict in told.items() if not (args.again and verdict in LIVED)}
    told |= {one.key: "equivalent" for one in sample if one.key in same}
    begun = time.monotonic()
    for mutant, verdict, tests in _verdicts([one for one in sample if one.key not in told], lines, args):
        told[mutant.key] = verdict
        if verdict in LIVED:
            print(f"{verdict}  line {mutant.line}  {mutant.key}  ({tests} tests)", flush=True)
        if args.minutes and time.monotonic() - begun > 60 * args.minutes:
            break
    verdicts = Counter(told.values())
    counts = ", ".join(f"{number} {name}" for name, number in sorted(verdicts.items()))
    words = f"seed {args.seed}: {score(verdicts):.1f} % of {len(told)} mutants killed, goal {GOAL:g} %"
    print(f"{args.room}, {words} ({counts}; {time.monotonic() - begun:.0f} s)")
    return 0


def _verdicts(mutants: list[Mutant], lines: Lines, args: argparse.Namespace) -> Iterator[tuple[Mutant, str, int]]:
    """Judge mutants one by one and note each at once: the verdict and the number of tests."""
    seconds = dict(zip(lines.tests, lines.seconds, strict=True))
    preload()
    warm = Warm(files_of(args.room))
    try:
        for mutant in mutants:
            begun = time.monotonic()
            tests = selected(mutant, lines, args.seconds)
            whole = sum(seconds[test] for test in tests)
            verdict = warm.judged(mutant, tests, whole)
            if verdict == NOT_HERE:
                verdict = judged(mutant, tests, whole)
            if args.verdicts:
                taken = round(time.monotonic() - begun, 2)
                note = {"mutant": mutant.key, "line": mutant.line, "verdict": verdict, "seconds": taken}
                with args.verdicts.open("a", encoding="utf-8") as file:
                    file.write(json.dumps({**note, "source": _source(mutant.path)}) + "\n")
            yield mutant, verdict, len(tests)
    finally:
        warm.close()


if __name__ == "__main__":
    sys.exit(main())
