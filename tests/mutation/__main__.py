"""Seeded mutants of a room, each held against its nearest tests: ``python -m tests.mutation ROOM``.

Prints each mutant that no test noticed, then the score: killed / (all - equivalent).
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
import tomllib
from collections import Counter
from pathlib import Path

from tests.mutation.child import ROOT, judged, preload
from tests.mutation.operators import Mutant, of_room
from tests.mutation.selection import NEAREST, recorded, selected

EQUIVALENT = Path(__file__).with_name("equivalent.toml")
GOAL = 90.0

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
    args = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        lines = recorded(args.room, args.lines or Path(folder) / "lines.json")
    seconds = dict(zip(lines.tests, lines.seconds, strict=True))
    preload()
    same, verdicts, told, begun = equivalent(), Counter[str](), [], time.monotonic()
    for mutant in sampled(args.room, args.sample, args.seed)[args.after :]:
        if args.minutes and time.monotonic() - begun > 60 * args.minutes:
            break
        tests = selected(mutant, lines)
        known = mutant.key in same
        verdict = "equivalent" if known else judged(mutant, tests, sum(seconds[test] for test in tests))
        verdicts[verdict] += 1
        told.append({"mutant": mutant.key, "line": mutant.line, "verdict": verdict, "tests": len(tests)})
        if verdict in ("survived", "untested"):
            print(f"{verdict}  line {mutant.line}  {mutant.key}  ({len(tests)} tests)", flush=True)
    if args.json:
        args.json.write_text(json.dumps(told, indent=1), encoding="utf-8")
    counts = ", ".join(f"{number} {name}" for name, number in sorted(verdicts.items()))
    words = f"seed {args.seed}: {score(verdicts):.1f} % of {sum(verdicts.values())} mutants killed, goal {GOAL:g} %"
    print(f"{args.room}, {words} ({counts}; {time.monotonic() - begun:.0f} s)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
