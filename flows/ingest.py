"""An inbox of deposits goes into the archive, batch by batch.

1. List the inbox by name.
2. Receive a batch: read its bytes.
3. Take it: seal, interpret, compute, assess, commit.
4. Say what came in, what was returned and why.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from prefect import flow
from prefect.artifacts import create_markdown_artifact

from stillwell.flows import tasks
from stillwell.pipeline.ingest import Taken
from stillwell.reading.printed.summary import batches, summary_markdown, summary_text


@flow(name="ingest", flow_run_name="ingest {inbox}")
def ingest(inbox: Path, archive: Path, by: str = "nightly", batch_size: int = 500) -> list[Taken]:
    """Take every deposit of an inbox into an archive, and leave a summary."""
    paths = tasks.list_inbox(inbox)
    taken = [tasks.take(archive, tasks.receive(batch, archive), by=by) for batch in batches(paths, batch_size)]
    create_markdown_artifact(key="ingest-summary", markdown=summary_markdown(taken))
    return taken


def main(arguments: list[str] | None = None) -> int:
    """Run the flow once; exit 1 when something was returned."""
    parser = argparse.ArgumentParser(prog="python -m stillwell.flows.ingest", description=ingest.__doc__)
    parser.add_argument("--inbox", type=Path, required=True, help="folder of deposits")
    parser.add_argument("--archive", type=Path, required=True, help="the archive's folder")
    parser.add_argument("--by", default="nightly", help="code of the person or job handing in")
    args = parser.parse_args(arguments)
    with tasks.home_in(args.archive):
        taken = ingest(args.inbox, args.archive, args.by)
    sys.stdout.write(summary_text(taken))
    return 0 if all(batch.all_good for batch in taken) else 1


if __name__ == "__main__":
    sys.exit(main())
