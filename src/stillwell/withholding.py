"""Sealed content removed by a recorded decision: decided and removed under one lock, finished if cut short."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.lock import WAIT_S
from stillwell.committing import circumstances, utc_now, writing
from stillwell.errors import DepositError, QueryError
from stillwell.pipeline import commit_of, decision, understand
from stillwell.prepare import prepare
from stillwell.render import After, render_after, unheard


def withhold(
    root: Path,
    digest: str,
    *,
    by: str,
    reason: str,
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    after: After = unheard,
) -> str:
    """Record the decision that a deposit's content be removed, and remove it.

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
        If the content is not here, or not as it was sealed; nothing was written.
    ArchiveLocked
        If another writer is at work for longer than that.
    """
    Archive(root)
    with writing(root, by=by, now=now, create=False, wait_s=wait_s) as writer:
        subject = _subject(writer.archive, digest)
        writer.check_clock()
        deposit = decision("withholdings", [{"subject": subject, "reason": reason}], by, writer.recorded_at)
        understood = understand([deposit])
        told = circumstances(writer, understood)
        prepared = prepare(writer.archive, [deposit], understood, told)
        if not prepared.problems.empty:
            found = prepared.problems.iloc[0]
            msg = f"expected {found['expected']} in the decision, found {found['found']}; nothing was withheld"
            raise DepositError(msg)
        entry = writer.commit(replace(commit_of(writer, told, [deposit], prepared), withheld={subject: deposit.digest}))
    after(render_after(root, entry, by=by, now=now, wait_s=wait_s))
    return subject


def _subject(archive: Archive, digest: str) -> str:
    """Find the one sealed deposit that is meant, and prove its content while it is still there."""
    found = [known for known in archive.sealed.digests() if len(digest) >= 8 and known.startswith(digest)]
    if len(found) != 1:
        msg = f"expected 8 or more characters of one sealed deposit's digest, found {digest!r} ({len(found)} match)"
        raise QueryError(msg)
    archive.sealed.read(found[0])
    return found[0]
