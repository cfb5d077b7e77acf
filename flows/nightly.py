"""Every night: bring records up to what stands, prove the archive, say what it finds, fail when the audit fails."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from prefect import flow
from prefect.artifacts import create_markdown_artifact

from flows import tasks
from stillwell.audit import AuditFailed, raise_if_faulty
from stillwell.reading.shifting import records_markdown
from stillwell.reading.summary import audit_markdown, audit_text, findings_markdown
from stillwell.records import AuditReport


@flow(name="nightly", flow_run_name="nightly {archive}")
def nightly(archive: Path, witness: Sequence[Path] = ()) -> AuditReport:
    """Refresh the records, audit the archive, name ratings that no longer hold, fail when the audit finds a fault."""
    changed = tasks.derive(archive, by="nightly")
    report: AuditReport = tasks.audit_archive(archive, witnesses=[path for path in witness if path.exists()])
    create_markdown_artifact(key="records", markdown=records_markdown(archive, changed))
    create_markdown_artifact(key="audit-report", markdown=audit_markdown(report))
    create_markdown_artifact(key="findings-summary", markdown=findings_markdown(archive))
    raise_if_faulty(report)
    tasks.keep_witness_line(archive, witness)  # only of an archive found sound
    return report


def main(arguments: list[str] | None = None) -> int:
    """Run the flow once; exit 1 when the audit finds a fault."""
    parser = argparse.ArgumentParser(prog="python -m flows.nightly", description=nightly.__doc__)
    parser.add_argument("--archive", type=Path, required=True, help="the archive's folder")
    parser.add_argument("--witness", type=Path, action="append", default=[], help="file kept elsewhere; gets a line")
    said = parser.parse_args(arguments)
    with tasks.home_in(said.archive):
        try:
            report = nightly(said.archive, said.witness)
        except AuditFailed as failure:
            sys.stdout.write(audit_text(failure.report))
            return 1
    sys.stdout.write(audit_text(report))
    return 0


if __name__ == "__main__":
    sys.exit(main())
