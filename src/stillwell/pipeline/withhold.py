"""Sealed content removed by a recorded decision: decided and removed under one lock, finished if cut short."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from stillwell.archive.archive import Archive
from stillwell.archive.disk.lock import WAIT_S
from stillwell.errors import DepositError, QueryError
from stillwell.pipeline.committing import commit_context, utc_now, writing
from stillwell.pipeline.ingest import commit_of, decision, understand
from stillwell.pipeline.render import After, render_after, unheard
from stillwell.prepare import prepare

Stood = Callable[[Mapping[str, Any]], None]
"""Told the decision by which content was withheld before."""


def unasked(_: Mapping[str, Any]) -> None:
    """Do nothing about a decision that stands already."""


def withhold(
    root: Path,
    digest: str,
    *,
    by: str,
    reason: str,
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    after: After = unheard,
    stood: Stood = unasked,
) -> str:
    """Record the decision that a deposit's content be removed, and remove it; nothing is written where that is done.

    Parameters
    ----------
    root : Path
    digest : str
        Of a sealed deposit, or the first characters of it.
    by, reason : str
    now : callable
    wait_s : float
        Seconds to wait while another writer is at work.
    after : callable
        Told what was rendered after the commit.
    stood : callable
        Told the row of ``withholdings`` by which the content was withheld before; then nothing is written.

    Returns
    -------
    str
        The whole digest.

    Raises
    ------
    QueryError
        If no deposit, or more than one, has that digest.
    DepositError
        If the decision cannot be taken as it is; nothing was written.
    Withheld, ArchiveDamaged
        If the content is not here and no decision says so, or is not as it was sealed; nothing was written.
    ArchiveLocked
        If another writer is at work for longer than that.
    """
    Archive(root)
    with writing(root, by=by, now=now, create=False, wait_s=wait_s) as writer:
        subject = _subject(writer.archive, digest)
        if before := _before(writer.archive, subject):
            stood(before)
            return subject
        # proved while it is still there
        writer.archive.sealed.read(subject)
        writer.check_clock()
        deposit = decision("withholdings", [{"subject": subject, "reason": reason}], by, writer.recorded_at)
        understood = understand([deposit])
        context = commit_context(writer, understood)
        prepared = prepare(writer.archive, [deposit], understood, context)
        if not prepared.problems.empty:
            problem = prepared.problems.iloc[0]
            msg = f"expected {problem['expected']} in the decision, found {problem['found']}; nothing was withheld"
            raise DepositError(msg)
        entry = writer.commit(
            replace(commit_of(writer, context, [deposit], prepared), withheld={subject: deposit.digest})
        )
    after(render_after(root, entry, by=by, now=now, wait_s=wait_s))
    return subject


def _subject(archive: Archive, digest: str) -> str:
    """Find the one sealed deposit that is meant."""
    matches = [known for known in archive.sealed.digests() if len(digest) >= 8 and known.startswith(digest)]
    if len(matches) != 1:
        msg = f"expected 8 or more characters of one sealed deposit's digest, found {digest!r} ({len(matches)} match)"
        raise QueryError(msg)
    return matches[0]


def _before(archive: Archive, subject: str) -> Mapping[str, Any] | None:
    """Return the first decision by which a deposit's content is withheld, None where it is here or none says so."""
    if not archive.sealed.withheld(subject):
        return None
    decisions = archive.read("withholdings").sort_values("recorded_at", kind="stable")
    rows = decisions[decisions["subject"] == subject].to_dict("records")
    return {str(name): value for name, value in rows[0].items()} if rows else None
