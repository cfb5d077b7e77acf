"""Writing commands, each in a process of its own that may be killed: ``python -m tests.pipeline.commands_to_kill``.

One process imports the libraries and forks for each line it reads, so that a command starts at once.
"""

from __future__ import annotations

import json
import os
import sys
from datetime import date
from pathlib import Path

import netCDF4  # noqa: F401  imported before the forks
import xarray  # noqa: F401

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import RightClock
from stillwell.pipeline.committing import office_policy, utc_now
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import compact, decide, ingest
from stillwell.pipeline.rebuild import rebuild
from stillwell.pipeline.render import render
from stillwell.pipeline.withhold import withhold
from stillwell.publishing.publish import publish

NOW = RightClock(utc_now)


def _ingested(root: Path, deposit: str) -> object:
    return ingest(root, [Path(deposit)], by="T1", now=NOW)


def _taken(root: Path, deposit: str) -> object:
    return ingest(root, [Path(deposit)], by="T1", now=NOW, render_now=False)


def _reviewed(root: Path, subject: str) -> object:
    row = {"subject": subject, "decision": "approved", "reason": "looked at"}
    return decide(root, "reviews", [row], by="R1", now=NOW)


def _compacted(root: Path, _: str) -> object:
    return compact(root, most=3, keep_days=0, by="T1", now=NOW)


def _derived(root: Path, _: str) -> object:
    return derive(root, by="H1", now=NOW)


def _rendered(root: Path, _: str) -> object:
    return render(root, by="T1", now=NOW)


def _withheld(root: Path, digest: str) -> object:
    return withhold(root, digest, by="R1", reason="the law", now=NOW)


def _published(root: Path, into: str) -> object:
    day = date(2026, 3, 1)
    return publish(Archive(root), Path(into), day=day, by="T1", policy=office_policy()[0])


def _rebuilt(root: Path, into: str) -> object:
    return rebuild(root, Path(into), start_over=True)


COMMANDS = {
    "ingest": _ingested,
    "take": _taken,
    "review": _reviewed,
    "compact": _compacted,
    "derive": _derived,
    "render": _rendered,
    "withhold": _withheld,
    "publish": _published,
    "rebuild": _rebuilt,
}


def _forked(what: str, root: str, subject: str) -> int:
    """Begin a command in a process of its own; it ends with 0 when the command ended, else with 1."""
    number = os.fork()
    if number:
        return number
    os.setsid()
    try:
        COMMANDS[what](Path(root), subject)
    except BaseException as error:
        sys.stderr.write(f"{what}: {error!r}\n")
        os._exit(1)
    os._exit(0)


def main() -> None:
    """Read what to begin and what to wait for, a line each, and say the process and how it ended."""
    for line in sys.stdin:
        said = json.loads(line)
        if "wait" in said:
            answer = os.waitstatus_to_exitcode(os.waitpid(said["wait"], 0)[1])
        else:
            answer = _forked(said["what"], said["root"], said["subject"])
        sys.stdout.write(f"{answer}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
