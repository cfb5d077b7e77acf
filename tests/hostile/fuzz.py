"""Run one target under a coverage-guided fuzzer: ``python -m tests.hostile.fuzz TARGET [options of libFuzzer]``."""

from __future__ import annotations

import sys
import warnings

import atheris

with atheris.instrument_imports(include=["stillwell.intake"]):
    from tests.hostile.targets import TARGETS, starts

if __name__ == "__main__":
    warnings.simplefilter("error")
    name = sys.argv.pop(1)
    for number, seed in enumerate(starts(name)):
        with open(f"{sys.argv[-1]}/seed-{number}", "wb") as stream:  # noqa: PTH123 - the last argument is the corpus
            stream.write(seed)
    atheris.Setup(sys.argv, TARGETS[name])
    atheris.Fuzz()
