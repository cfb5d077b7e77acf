"""The only file that says ``task(...)``: the pipeline's functions with names, and retries where they touch a disk."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from prefect import Task, task
from prefect.artifacts import create_markdown_artifact
from prefect.settings import PREFECT_HOME, temporary_settings

from stillwell.pipeline import audit, ingest
from stillwell.pipeline.night_parts import compacted_page, derived_text, rendered_page
from stillwell.reading.printed.night import Night, witness_page

P = ParamSpec("P")
R = TypeVar("R")


def only_disk_trouble(_task: Any, _run: Any, state: Any) -> bool:
    """Retry what a disk or a share refused for a moment; never retry a computation."""
    return isinstance(state.result(raise_on_failure=False), OSError)


def home_in(archive: Path) -> AbstractContextManager[Any]:
    """Keep Prefect's own files inside the archive's work folder, or in a temporary one where that is read-only."""
    home = archive / "work" / "flows"
    try:
        home.mkdir(parents=True, exist_ok=True)
    except OSError:
        return nullcontext()
    return temporary_settings({PREFECT_HOME: home})


def _on_disk(step: Callable[P, R], name: str) -> Task[P, R]:
    """Make a task of a step that reads or writes a disk."""
    return task(name=name, retries=3, retry_delay_seconds=2, retry_condition_fn=only_disk_trouble)(step)


list_inbox = _on_disk(ingest.inbox, "list inbox")
receive = _on_disk(ingest.receive, "receive")
take = _on_disk(ingest.take, "take")
audit_archive = _on_disk(audit.audit, "audit")
keep_witness_line = _on_disk(witness_page, "witness")
derive = _on_disk(derived_text, "derive")
render = _on_disk(rendered_page, "render")
compact = _on_disk(compacted_page, "compact")


def part(night: Night, key: str, make: Callable[[], str]) -> None:
    """Do a part of the night, whatever became of the others, and keep its page: what was made, or what failed."""
    create_markdown_artifact(key=key, markdown=night.page(key, make))
