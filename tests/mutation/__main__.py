"""Seeded mutants of a room, each held against its nearest tests: ``python -m tests.mutation ROOM``.

1. The tests of the room (``selection.NEAREST``) run once, and which lines each runs is noted (``recorder``); a test
   that takes longer than some seconds is broken off and left out. ``--lines FILE`` keeps the notes: later only those
   files of tests run that have changed, or all if the code has.
2. One process imports and collects these tests (``warm``). Each mutant is judged in a fork of it, where the changed
   function runs its changed code; the tests of its line run, one case of each first, up to the first that fails. What
   only an import shows is judged in a fork that imports the room anew (``child``).
3. Each mutant that no test noticed is printed, then the score: killed / (all - equivalent), where a mutant that runs
   out of time is killed.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.mutation.child import ROOT, judged, preload
from tests.mutation.operators import Mutant, of_room
from tests.mutation.selection import MOST_SECONDS, NEAREST, Lines, files_of, recorded, selected
from tests.mutation.warm import NOT_HERE, Warm

EQUIVALENT = Path(__file__).with_name("equivalent.toml")
GOAL = 90.0
LIVED = ("survived", "untested")

FLOORS = {"hydrometry": 75.0, "assessment": 0.0, "archive": 0.0}
"""Percent below which a room must not fall: what was measured so far (hydrometry: the first 85 of 300), 0 where nothing
was; raised to ``GOAL`` once 300 mutants of the room reach it."""


def equivalent() -> dict[str, str]:
    """Read which mutants change nothing that anybody could see, each with its reason."""
    return {one["mutant"]: one["reason"] for one in tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["equivalent"]}


def sampled(room: str, number: int, seed: int) -> list[Mutant]:
    """Draw mutants of a room, the same for the same seed and source."""
    every = of_room(ROOT, room)
    return random.Random(seed).sample(every, min(number, len(every)))


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
    asked.add_argument("--after", type=int, default=0, help="pass over so many of the sample, judged before")
    asked.add_argument("--minutes", type=float, default=0.0, help="stop after so many; 0: judge the whole sample")
    asked.add_argument("--lines", type=Path, help="file that keeps which tests run which lines")
    asked.add_argument("--json", type=Path, help="file for the verdicts")
    asked.add_argument("--again", type=Path, help="file of verdicts: judge only what no test noticed then")
    asked.add_argument("--seconds", type=float, default=MOST_SECONDS, help="recorded time of the tests of one mutant")
    args = asked.parse_args()
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as folder:
        lines = recorded(args.room, args.lines or Path(folder) / "lines.json")
    drawn = sampled(args.room, args.sample, args.seed)[args.after :]
    if args.again:
        before = json.loads(args.again.read_text(encoding="utf-8"))
        lived = {one["mutant"] for one in before if one["verdict"] in LIVED}
        drawn = [mutant for mutant in drawn if mutant.key in lived]
    told, begun = [], time.monotonic()
    for mutant, verdict, tests, seconds in _verdicts(drawn, lines, args.room, args.seconds):
        told.append({"mutant": mutant.key, "line": mutant.line, "verdict": verdict, "tests": tests, "seconds": seconds})
        if verdict in LIVED:
            print(f"{verdict}  line {mutant.line}  {mutant.key}  ({tests} tests)", flush=True)
        if args.json:
            args.json.write_text(json.dumps(told, indent=1), encoding="utf-8")
        if args.minutes and time.monotonic() - begun > 60 * args.minutes:
            break
    verdicts = Counter(one["verdict"] for one in told)
    counts = ", ".join(f"{number} {name}" for name, number in sorted(verdicts.items()))
    words = f"seed {args.seed}: {score(verdicts):.1f} % of {len(told)} mutants killed, goal {GOAL:g} %"
    print(f"{args.room}, {words} ({counts}; {time.monotonic() - begun:.0f} s)")
    return 0


def _verdicts(drawn: list[Mutant], lines: Lines, room: str, most_s: float) -> Iterator[tuple[Mutant, str, int, float]]:
    """Judge mutants one by one: the verdict, the number of tests and the seconds it took."""
    seconds = dict(zip(lines.tests, lines.seconds, strict=True))
    same = equivalent()
    preload()
    warm = Warm(files_of(room))
    try:
        for mutant in drawn:
            begun = time.monotonic()
            tests = selected(mutant, lines, most_s)
            whole = sum(seconds[test] for test in tests)
            verdict = "equivalent" if mutant.key in same else warm.judged(mutant, tests, whole)
            if verdict == NOT_HERE:
                verdict = judged(mutant, tests, whole)
            yield mutant, verdict, len(tests), round(time.monotonic() - begun, 2)
    finally:
        warm.close()


if __name__ == "__main__":
    sys.exit(main())
