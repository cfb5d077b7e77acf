"""The steps in order, as plain functions; flows and commands call these and nothing else does the work twice."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd

from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.batches.compaction_plan import by_commit, scattered
from stillwell.archive.disk.layout import KEEP_DAYS
from stillwell.archive.disk.lock import WAIT_S
from stillwell.archive.disk.nested_paths import refuse_itself
from stillwell.archive.ledger.chain import Entry
from stillwell.archive.readme import schema_documents
from stillwell.archive.writing.compact import compaction, read_lots, still_listed, sweep
from stillwell.archive.writing.writer import Commit, Writer
from stillwell.assessment.policy import policy_from, refuse_retired
from stillwell.errors import DepositError
from stillwell.fingerprint import sha256
from stillwell.intake.interpret import interpret
from stillwell.intake.map_preview import preview
from stillwell.intake.maps.map_file import Map, map_from
from stillwell.intake.readers.deposit import find_deposits, read_deposit, table_file
from stillwell.intake.returned import pages_of, returned_documents
from stillwell.pipeline.committing import commit_context, office_policy, utc_now, writing
from stillwell.pipeline.documents import documents, fixed_documents
from stillwell.pipeline.render import Rendered, render_after
from stillwell.prepare import Change, CommitContext, Prepared, prepare, reassess
from stillwell.reading.policy import default_policy_text, policy_in_force
from stillwell.shared_types import RULES, Deposit, Understood

Progress = Callable[[str, int, int], None]
"""Told the step, how much of it is done, and how much there is."""


@dataclass(frozen=True)
class Taken:
    """What became of a batch of deposits; ``entry`` is missing when nothing was new."""

    entry: Entry | None = None
    prepared: Prepared | None = None
    deposits: tuple[Deposit, ...] = ()
    known: tuple[Deposit, ...] = field(default=())
    """Deposits whose very bytes were already sealed, left alone."""
    rendered: Rendered = field(default_factory=Rendered)
    """What was rendered after the commit."""
    pages: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Pages of reasons that say what was returned of known deposits when they were taken, by digest."""

    @property
    def all_good(self) -> bool:
        """Whether nothing was returned."""
        return self.prepared is None or self.prepared.problems.empty


def receive(paths: Sequence[Path], root: Path | None = None) -> list[Deposit]:
    """Read deposits as handed in, byte for byte; none may be the archive at ``root``, lie in it or hold it."""
    if root is not None:
        refuse_itself(root, paths)
    return [read_deposit(path) for path in paths]


def inbox(folder: Path) -> list[Path]:
    """List the deposits of an inbox, by name."""
    return find_deposits(folder)


def understand(deposits: Sequence[Deposit], intake_map: Map | None = None, rules: int = RULES) -> Understood:
    """Turn deposits into canonical frames, one schema pass over the whole batch."""
    return interpret(deposits, office_policy()[0], intake_map, rules)


def _text(deposit: Deposit) -> str:
    """Read a deposit of one text file, such as an intake map."""
    try:
        return deposit.files[0].data.decode("utf-8")
    except UnicodeDecodeError as error:
        msg = f"{deposit.name}: expected UTF-8 text, found other bytes; nothing was taken"
        raise DepositError(msg) from error


def map_of(archive: Archive, digest: str) -> Map:
    """Read an intake map from the sealed bytes."""
    return map_from(_text(archive.sealed.read(digest)))


def map_used(entry: Entry) -> str:
    """Name the intake map a commit read its deposits with by its digest; empty without one."""
    return next((str(note["intake_map"]) for note in entry.deposits if note.get("intake_map")), "")


def taken_again(archive: Archive, entry: Entry, *others: Entry) -> tuple[list[Deposit], str, Understood]:
    """Read again what a commit took, with the map it was read with.

    Parameters
    ----------
    archive : Archive
    entry : Entry
    others : Entry
        Commits by the same rules and map, whose deposits are read with it.

    Returns
    -------
    list of Deposit, str, Understood
        The deposits, the digest of the intake map (empty without one), and what they say.

    Raises
    ------
    Withheld
        If the content of one is withheld.
    """
    deposits = [archive.sealed.read(note["deposit"]) for one in (entry, *others) for note in one.deposits]
    used = map_used(entry)
    return deposits, used, understand(deposits, map_of(archive, used) if used else None, entry.rules)


def ingest(
    root: Path,
    paths: Sequence[Path],
    *,
    by: str = "unnamed",
    again: bool = False,
    map_path: Path | None = None,
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    render_now: bool = True,
    progress: Progress | None = None,
) -> Taken:
    """Receive deposits, and the intake map to read them with, and take them into an archive in one commit."""
    used = receive([map_path])[0] if map_path else None
    deposits = receive(paths, root)
    return take(
        root,
        deposits,
        by=by,
        again=again,
        used_map=used,
        now=now,
        wait_s=wait_s,
        render_now=render_now,
        progress=progress,
    )


def dry_run(paths: Sequence[Path], map_path: Path) -> tuple[dict[str, pd.DataFrame], Understood]:
    """Show the first rows of deposits as a map reads them, and everything that would be returned; writes nothing."""
    intake_map = map_from(_text(receive([map_path])[0]))
    deposits = receive(paths)
    shown: dict[str, list[pd.DataFrame]] = {}
    for deposit in deposits:
        for name, rows in preview(deposit, intake_map).items():
            shown.setdefault(name, []).append(rows)
    whole = {name: pd.concat(parts, ignore_index=True) for name, parts in shown.items()}
    return whole, understand(deposits, intake_map)


def take(
    root: Path,
    deposits: Sequence[Deposit],
    *,
    by: str = "unnamed",
    again: bool = False,
    used_map: Deposit | None = None,
    whole: bool = False,
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    render_now: bool = True,
    progress: Progress | None = None,
) -> Taken:
    """Seal, interpret, compute, assess and commit deposits.

    Parameters
    ----------
    root : Path
        The archive's folder; made when it does not exist.
    deposits : sequence of Deposit
        In the order handed in. Bytes that the archive already took are left alone.
    by : str
        Code of the person who hands them in.
    again : bool
        Look once more at bytes already taken, for what was returned then.
    used_map : Deposit, optional
        An intake map, sealed with the deposits it reads.
    whole : bool
        Write nothing where any of it would be returned; the answer then holds the problems and no entry.
    now : callable
        The clock, read under the writer's lock.
    wait_s : float
        Seconds to wait while another writer is at work.
    render_now : bool
        Render the NetCDF files of the sites after the commit; otherwise they stay behind until ``render``.
    progress : callable, optional
        Told of each step.

    Raises
    ------
    ArchiveLocked
        If another writer is at work for longer than that.
    """
    tell = progress or (lambda step, done, total: None)
    intake_map = map_from(_text(used_map)) if used_map else None
    with writing(root, by=by, now=now, wait_s=wait_s) as writer:
        fresh, known = _sort_known(writer.archive, deposits, again)
        if not fresh:
            return Taken(known=tuple(known), pages=_pages(writer.archive, known))
        writer.check_clock()
        if used_map and not writer.archive.has_deposit(used_map.digest):
            fresh = [used_map, *fresh]
        tell("interpreting", 0, len(fresh))
        understood = [understand(fresh, intake_map, writer.rules)]
        tell("computing", 1, 3)
        context = commit_context(writer, understood[0], used_map.digest if used_map else "")
        prepared = prepare(writer.archive, fresh, understood.pop(), context)  # nobody holds what it lets go of
        if whole and not prepared.problems.empty:
            return Taken(None, prepared, tuple(fresh), tuple(known), pages=_pages(writer.archive, known))
        tell("writing", 2, 3)
        pages = _pages(writer.archive, known)
        entry = writer.commit(commit_of(writer, context, fresh, prepared))
        tell("written", 3, 3)
    rendered = render_after(root, entry, by=by, now=now, wait_s=wait_s, render_now=render_now)
    return Taken(entry, prepared, tuple(fresh), tuple(known), rendered, pages)


def assess_again(archive: Archive, policy_text: str) -> list[Change]:
    """Say what another policy would change in an archive; nothing is written.

    Parameters
    ----------
    archive : Archive
    policy_text : str
        TOML; what it is silent about stays as shipped.

    Returns
    -------
    list of Change

    Raises
    ------
    PolicyError
        If the policy cannot be used.
    """
    policy = policy_from(policy_text, office_policy()[0])
    refuse_retired(policy_text)
    _, _, before = policy_in_force(archive, None, default_policy_text())
    context = CommitContext(0, utc_now(), "", __version__, policy, sha256(policy_text.encode("utf-8")), before)
    return reassess(archive, context)


def decide(
    root: Path,
    table: str,
    rows: Sequence[Mapping[str, str]],
    *,
    by: str,
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    render_now: bool = True,
) -> Taken:
    """Write decisions down as a deposit and take it like any other.

    Parameters
    ----------
    root : Path
    table : str
        Deposit table of the decisions, such as ``reviews``; ``by`` and ``decided_at`` are filled in.
    rows : sequence of mapping of str to str
    by : str
        Code of the person who decides.
    now : callable
    wait_s : float
        Seconds to wait while another writer is at work.
    render_now : bool
        As of ``take``.

    Raises
    ------
    NotAnArchive
        If there is no archive to decide on.
    DepositError
        If ``by`` holds a blank or is no code, or a reason is no text; nothing is written.
    ArchiveLocked
        If another writer is at work.
    """
    Archive(root)
    deposit = decision(table, rows, by, now())
    return take(root, [deposit], by=by, now=now, wait_s=wait_s, render_now=render_now)


def decision(table: str, rows: Sequence[Mapping[str, str]], by: str, when: datetime) -> Deposit:
    """Write decisions down as a deposit, with who decided and when.

    Raises
    ------
    DepositError
        If ``by`` is no code, or intake would return ``by`` or the reason.
    """
    if not by or any(character.isspace() for character in by):
        msg = f"by: expected the code of a person, without blanks, found {by!r}; nothing was written"
        raise DepositError(msg)
    full = [dict(row) | {"by": by, "decided_at": when.astimezone(UTC).isoformat()} for row in rows]
    file = table_file(table, full)
    deposit = Deposit(file.path, "csv", sha256(file.data), (file,))
    problems = interpret([deposit]).problems
    for problem in problems[problems["column"].isin(["by", "reason"])].to_dict("records"):
        msg = f"{problem['column']}: expected {problem['expected']}, found {problem['found']!r}; nothing was written"
        raise DepositError(msg)
    return deposit


def compact(
    root: Path,
    *,
    most: int = 8,
    keep_days: float = KEEP_DAYS,
    by: str = "unnamed",
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
) -> tuple[list[Entry], list[str]]:
    """Put many small table files together, and sweep what was replaced long enough ago.

    Rows are read before the lock is taken, those of one commit at a time; files that came meanwhile stay as they are.

    Parameters
    ----------
    root : Path
    most : int
        Files that neighbouring sites may have of a table, or of a year of a series, and stay as they are.
    keep_days : float
        How long replaced files stay for readers that opened before.
    by : str
    now : callable
    wait_s : float
        Seconds to wait while another writer is at work.

    Returns
    -------
    list of Entry
        Of the commits: none where nothing was scattered, several where there are more rows than one takes.
    list of str
        Files swept.

    Raises
    ------
    ArchiveLocked
        If another writer is at work for longer than that.
    """
    before = Archive(root, complete=True)
    made: list[Entry] = []
    gone: list[str] | None = None
    for lots in list(by_commit(scattered(before, most))) or [[]]:
        rows = read_lots(before, lots)
        with writing(root, by=by, now=now, create=False, wait_s=wait_s) as writer:
            if gone is None:
                gone = sweep(writer, writer.recorded_at - timedelta(days=keep_days))
            if there := still_listed(writer.archive, lots):
                made.append(writer.commit(compaction(writer.archive, there, schema_documents(), rows)))
    return made, gone or []


def _sort_known(archive: Archive, deposits: Sequence[Deposit], again: bool) -> tuple[list[Deposit], list[Deposit]]:
    fresh: dict[str, Deposit] = {}
    known = []
    for deposit in deposits:
        if deposit.digest in fresh or (archive.has_deposit(deposit.digest) and not again):
            known.append(deposit)
        else:
            fresh[deposit.digest] = deposit
    return list(fresh.values()), known


def _pages(archive: Archive, known: Sequence[Deposit]) -> dict[str, Sequence[str]]:
    """Find what was returned of deposits when they were taken, which their command may not have lived to tell."""
    listed = archive.listing() if known else {}
    pages_by_digest = {deposit.digest: pages_of(deposit.digest, listed) for deposit in known}
    return {digest: pages for digest, pages in pages_by_digest.items() if pages}


def commit_of(writer: Writer, context: CommitContext, deposits: Sequence[Deposit], prepared: Prepared) -> Commit:
    """Lay out a commit: rows, notes on its deposits and documents."""
    notes = prepared.tables["deposits"]
    noted = notes[["deposit", "name", "kind", "outcome", "gaugings_taken", "gaugings_returned", "intake_map"]]
    listed = noted.astype(object).to_dict("records")
    returned = returned_documents(deposits, prepared.problems, prepared.notes)
    counts = prepared.outcomes["action"].value_counts().sort_index()
    return Commit(
        deposits=list(deposits),
        deposit_notes=[{str(k): v for k, v in row.items() if not pd.isna(v)} for row in listed],
        tables=prepared.tables,
        documents=returned | documents(context, deposits, prepared),
        replacing=fixed_documents(context.policy.office),
        counts={str(name): int(count) for name, count in counts.items()},
        reason="ingest",
    )
