"""What every commit of this version needs: the clock, the policy that ships, an archive held for writing, the rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from functools import cache, partial
from pathlib import Path

from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.disk.lock import WAIT_S
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.writing.writer import Writer, open_writer
from stillwell.assessment.policy import Policy, policy_from
from stillwell.fingerprint import sha256
from stillwell.prepare import CommitContext
from stillwell.reading.policy import default_policy_text, policy_in_force
from stillwell.shared_types import RULES, Understood


@cache
def office_policy() -> tuple[Policy, str]:
    """Return the policy that ships with this version, and its digest."""
    text = default_policy_text()
    return policy_from(text), sha256(text.encode("utf-8"))


def utc_now() -> datetime:
    """Return the present instant."""
    return datetime.now(UTC)


def writing(
    root: Path,
    *,
    by: str,
    now: Callable[[], datetime],
    create: bool = True,
    wait_s: float = WAIT_S,
    policy_text: str = "",
    rules: int = RULES,
    earlier: Ledger | None = None,
) -> AbstractContextManager[Writer]:
    """Open an archive for writing by this version, with its policy and rules or others; see ``open_writer``."""
    opened = partial(open_writer, root, software_version=__version__, by=by, now=now, create=create, wait_s=wait_s)
    return opened(policy_text=policy_text or default_policy_text(), rules=rules, earlier=earlier)


def commit_context(writer: Writer, understood: Understood | None, intake_map: str = "") -> CommitContext:
    """Collect who, when and by what rules from an open writer and the deposits it takes."""
    shipped = default_policy_text()
    policy = policy_in_force(writer.archive, understood, writer.policy_text or shipped, shipped)
    about = (writer.number, writer.recorded_at, writer.by, __version__)
    return CommitContext(*about, *policy, intake_map, writer.rules)


def office_of(archive: Archive) -> Mapping[str, str]:
    """Return name, identifier and contact role of the office, by the policy in force."""
    return policy_in_force(archive, None, default_policy_text())[0].office
