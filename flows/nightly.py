"""Every night: prove the archive, bring records up to what stands, say what was found, fail when anything failed.

1. Audit: digests, chain, every number again, or as far as a time set goes.
2. Derive the records that changed.
3. Render the NetCDF files that are behind; one that is behind still fails the night.
4. Name ratings that no longer hold, and the findings that stand; each part leaves a page of its own.
5. Add a line to the witness files, of an archive found sound.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from prefect import flow

from flows import tasks
from stillwell.committing import utc_now
from stillwell.reading.night import Night, NightFailed
from stillwell.reading.shifting import records_markdown
from stillwell.reading.summary import findings_markdown


@flow(name="nightly", flow_run_name="nightly {archive}")
def nightly(archive: Path, witness: Sequence[Path] = (), minutes: float | None = None) -> Night:
    """Audit the archive, refresh the records, name ratings that no longer hold; fail when a part failed."""
    night = Night(archive)
    known = [path for path in witness if path.exists()]
    prove = partial(tasks.audit_archive, witnesses=known, minutes=minutes, keep=True)
    tasks.part(night, "audit-report", lambda: night.audited(prove))
    tasks.part(night, "records", lambda: records_markdown(archive, tasks.derive(archive, by="nightly")))
    tasks.part(night, "netcdf", lambda: tasks.render(archive, by="nightly"))
    tasks.part(night, "findings-summary", lambda: findings_markdown(archive))
    if witness and night.sound:
        tasks.part(night, "witness", lambda: tasks.keep_witness_line(archive, witness, utc_now()))
    night.raise_if_failed()
    return night


def main(arguments: list[str] | None = None) -> int:
    """Run the flow once; exit 1 when the audit finds a fault or another part failed."""
    parser = argparse.ArgumentParser(prog="python -m flows.nightly", description=nightly.__doc__)
    parser.add_argument("--archive", type=Path, required=True, help="the archive's folder")
    parser.add_argument("--witness", type=Path, action="append", default=[], help="file kept elsewhere; gets a line")
    parser.add_argument("--minutes", type=float, help="time for computing commits again; all of them where not given")
    said = parser.parse_args(arguments)
    with tasks.home_in(said.archive):
        try:
            text, status = nightly(said.archive, said.witness, said.minutes).text(), 0
        except NightFailed as failure:
            text, status = str(failure), 1
    sys.stdout.write(text)
    return status


if __name__ == "__main__":
    sys.exit(main())
