"""Every night: prove the archive, bring records up to what stands, say what was found, fail when anything failed.

1. Audit: digests, chain, every number again, or as far as a time set goes.
2. Derive the records that changed, and render the NetCDF files that are behind; one behind still fails the night.
3. Name ratings that no longer hold, and the findings that stand; each part leaves a page of its own.
4. Of an archive found sound, put small table files together where that pays, and add a line to the witness files.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from prefect import flow

from stillwell.flows import tasks
from stillwell.pipeline.committing import utc_now
from stillwell.reading.printed.night import Night, NightFailed
from stillwell.reading.printed.summary import findings_markdown
from stillwell.reading.rating.shifts import records_markdown


@flow(name="nightly", flow_run_name="nightly {archive}")
def nightly(archive: Path, witness: Sequence[Path] = (), minutes: float | None = None) -> Night:
    """Audit the archive, refresh the records, name ratings that no longer hold; fail when a part failed."""
    night = Night(archive)
    audit = partial(tasks.audit_archive, witnesses=[w for w in witness if w.exists()], minutes=minutes, keep=True)
    tasks.part(night, "audit-report", lambda: night.audited(audit))
    tasks.part(night, "records", lambda: records_markdown(archive, tasks.derive(archive, by="nightly")))
    tasks.part(night, "netcdf", lambda: tasks.render(archive, by="nightly"))
    tasks.part(night, "findings-summary", lambda: findings_markdown(archive))
    if night.sound:
        tasks.part(night, "compaction", lambda: tasks.compact(archive, by="nightly"))
        if witness:
            tasks.part(night, "witness", lambda: tasks.keep_witness_line(archive, witness, utc_now()))
    night.raise_if_failed()
    return night


def main(arguments: list[str] | None = None) -> int:
    """Run the flow once; exit 1 when the audit finds a fault or another part failed."""
    parser = argparse.ArgumentParser(prog="python -m stillwell.flows.nightly", description=nightly.__doc__)
    parser.add_argument("--archive", type=Path, required=True, help="the archive's folder")
    parser.add_argument("--witness", type=Path, action="append", default=[], help="file kept elsewhere; gets a line")
    parser.add_argument("--minutes", type=float, help="time for computing commits again; all of them where not given")
    args = parser.parse_args(arguments)
    with tasks.home_in(args.archive):
        try:
            text, status = nightly(args.archive, args.witness, args.minutes).text(), 0
        except NightFailed as failure:
            text, status = str(failure), 1
    sys.stdout.write(text)
    return status


if __name__ == "__main__":
    sys.exit(main())
