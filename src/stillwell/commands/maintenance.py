"""Commands that prove, copy and mend an archive."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillwell.archive.disk.layout import KEEP_DAYS
from stillwell.commands import completion
from stillwell.commands.next_steps import HERE, at
from stillwell.commands.options import (
    WAIT_S,
    ArchiveOption,
    ByOption,
    ClockOption,
    Reported,
    ReportedOption,
    Told,
    ToldOption,
    WaitOption,
    clock,
    in_words,
    say_next,
    tell,
)
from stillwell.number_words import counted

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stillwell.archive.care.repair import Plan
    from stillwell.pipeline.render import Rendered

ReasonOption = Annotated[str, typer.Option("--reason", help="Why; kept with the decision.")]


WitnessOption = Annotated[
    list[Path] | None,
    typer.Option("--witness", help="File of witness lines to hold the chain against; may be given several times."),
]


def audit(
    archive: ArchiveOption = HERE,
    recompute: Annotated[bool, typer.Option(help="Also compute every gauging again and compare.")] = True,
    budget: Annotated[
        int | None, typer.Option("--budget", min=1, help="Bytes to look at, oldest look first; computes nothing again.")
    ] = None,
    minutes: Annotated[
        float | None,
        typer.Option("--minutes", min=0, help="Time for computing again: newest unproved first, then oldest proof."),
    ] = None,
    processes: Annotated[
        int | None,
        typer.Option("--processes", min=0, help="Processes that share the work; as many as cores where that pays."),
    ] = None,
    witness_files: WitnessOption = None,
    repair_from: Annotated[
        Path | None, typer.Option("--repair-from", help="First restore damaged files from this copy, by digest.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="With --repair-from: name what would be restored; change nothing.")
    ] = False,
    format_: ReportedOption = Reported.text,
) -> None:
    """Prove the archive: digests, chain, sealed bytes, schemas, and every number computed again."""
    from stillwell.pipeline import audit as auditing
    from stillwell.reading.printed.progress import watched
    from stillwell.reading.printed.summary import audit_json, audit_text

    if dry_run and repair_from is None:
        typer.echo("stillwell: expected --repair-from COPY with --dry-run, found none; nothing was looked at", err=True)
        say_next(f"`stillwell audit --repair-from COPY --dry-run{at(archive)}`; an audit alone changes nothing")
        raise typer.Exit(2)
    witnesses = witness_files or []
    with in_words(archive, _ANOTHER), watched() as progress:
        if repair_from is not None and _repair(archive, repair_from, witnesses, format_ if dry_run else None):
            return
        if budget is not None:
            report = auditing.audit_part(archive, budget, witnesses=witnesses)
        else:
            report = auditing.audit(
                archive,
                recompute=recompute,
                progress=progress,
                witnesses=witnesses,
                processes=processes,
                minutes=minutes,
                keep=recompute and (archive / "work").is_dir(),
            )
    typer.echo(audit_json(report) if format_ is Reported.json else audit_text(report), nl=False)
    if report.faults:
        say_next(_mended(archive, repair_from).replace("{at}", at(archive)))
        raise typer.Exit(1)


_ANOTHER = (
    "`stillwell audit --repair-from COPY{at}` with a copy of this archive that `stillwell replicate` made; "
    "--witness FILE names lines of `stillwell witness` kept elsewhere"
)


def _mended(archive: Path, tried: Path | None) -> str:
    """Say how the faults of an audit may be mended."""
    again = (
        "`stillwell rebuild --into DIR{at}` makes the tables again from sealed bytes and ledger, as far as they stand"
    )
    if tried is not None:
        return f"`stillwell audit --repair-from ANOTHER_COPY{{at}}` with another copy; {again}"
    return f"`stillwell audit --repair-from COPY{{at}}` restores from a copy that `stillwell replicate` made; {again}"


def _repair(archive: Path, replica: Path, witnesses: list[Path], shown: Reported | None) -> bool:
    """Restore from a copy, or with a format only say what would be restored; True where that was all."""
    from stillwell.archive.care.repair import plan_repair, repair
    from stillwell.archive.care.witness import read_witness
    from stillwell.archive.disk.layout import LEDGER
    from stillwell.pipeline.committing import utc_now

    if not (replica / LEDGER).is_dir():
        typer.echo(f"stillwell: expected a copy of the archive in {replica}, found none; nothing repaired", err=True)
        say_next(f"`stillwell replicate --to DIR{at(archive)}` makes copies, while the archive is whole")
        raise typer.Exit(2)
    lines = [line for path in witnesses for line in read_witness(path)[0]]
    if shown is not None:
        _show_plan(plan_repair(archive, replica, lines), replica, shown)
        return True
    aside: list[str] = []
    restored, hopeless = repair(archive, replica, utc_now(), lines, aside.append)
    for path in restored:
        typer.echo(f"restored {path}", err=True)
    for path in aside:
        typer.echo(f"put aside {path}: it is of no commit of this archive", err=True)
    for path in hopeless:
        typer.echo(f"expected a good copy of {path} in {replica}, found none; it stays damaged", err=True)
    typer.echo(
        f"{counted(len(restored), 'file')} restored from {replica}; what was damaged lies in work/damaged", err=True
    )
    return False


def _show_plan(plan: Plan, replica: Path, shown: Reported) -> None:
    """Name each file that would be restored, from where, with the digest found and the one restored."""
    if shown is Reported.json:
        restores = [
            {"path": r.path, "from": r.source, "found_sha256": r.found_sha256, "sha256": r.sha256}
            for r in plan.restores
        ]
        tell({"would_restore": restores, "would_put_aside": plan.aside, "cannot_restore": plan.hopeless})
    else:
        for r in plan.restores:
            typer.echo(
                f"would restore {r.path} from {r.source}: found {r.found_sha256 or 'no file'}, restored {r.sha256}"
            )
        for path in plan.aside:
            typer.echo(f"would put aside {path}")
        for path in plan.hopeless:
            typer.echo(f"no good copy of {path} in {replica}; it would stay damaged")
        typer.echo(f"{counted(len(plan.restores), 'file')} would be restored; nothing was changed")
    if plan.hopeless:
        raise typer.Exit(1)


def witness(
    archive: ArchiveOption = HERE,
    append: Annotated[
        list[Path] | None,
        typer.Option("--append", help="Also add the line to this file, kept elsewhere; may be given several times."),
    ] = None,
    format_: ToldOption = Told.text,
) -> None:
    """Print the newest entry's digest as a line to keep elsewhere; `audit --witness` holds the chain against it."""
    from stillwell.archive.archive import Archive
    from stillwell.archive.care.witness import append_witness
    from stillwell.archive.care.witness import witness as witnessed
    from stillwell.pipeline.committing import utc_now

    with in_words(archive, "`stillwell witness --append FILE{at}` with a file on another disk or machine"):
        line = witnessed(Archive(archive), utc_now())
        append_witness(archive, append or [], line)
    if format_ is Told.json:
        document = {"made_at": line.made_at, "first_sha256": line.first, "commit": line.number, "sha256": line.sha256}
        tell(document | {"line": line.to_text(), "appended": append or []})
    else:
        typer.echo(line.to_text())


def rebuild(
    into: Annotated[Path, typer.Option("--into", help="Folder that is empty or does not exist.")],
    archive: ArchiveOption = HERE,
    start_over: Annotated[
        bool, typer.Option("--start-over", help="Clear what a rebuild into this folder left that was cut short.")
    ] = False,
    format_: ToldOption = Told.text,
) -> None:
    """Make the archive again from its sealed bytes and its ledger alone, and compare every digest."""
    from stillwell.pipeline.rebuild import rebuild as rebuilt
    from stillwell.reading.printed.progress import watched

    with (
        in_words(archive, "`stillwell rebuild --into DIR{at}` with a folder that does not exist yet, or --start-over"),
        watched() as progress,
    ):
        made = rebuilt(archive, into, progress, start_over=start_over)
    same = made.files - len(made.different) - len(made.rounded) - len(made.replaced) - made.left_out
    if format_ is Told.json:
        tell({"into": into, **asdict(made), "same": same})
    else:
        if made.stood:
            typer.echo(
                f"{into} holds this archive made again already, every entry and file by its digest; left as it is"
            )
        for sentence in made.different:
            typer.echo(f"differs: {sentence}")
        typer.echo(
            f"{counted(made.commits, 'commit')} made again in {into}; "
            f"{same} of {made.files} files have the digest listed"
        )
        if made.rounded:
            typer.echo(f"{len(made.rounded)} more hold the same values to rounding (another processor or library)")
        if made.replaced:
            typer.echo(f"{len(made.replaced)} more in other bytes were replaced since; their values are gone")
        if made.left_out:
            typer.echo(f"{made.left_out} more are NetCDF of an earlier version, which is not made again")
    for number in made.carried:
        typer.echo(f"commit {number} rests on withheld content; its rows were taken over as they stand", err=True)
    if made.other_version:
        typer.echo(f"made by stillwell {made.other_version} before; rows name this version now", err=True)
    if made.different and not made.other_version:
        say_next(f"`stillwell audit{at(archive)}` says whether the archive or the software differs")
        raise typer.Exit(1)


def replicate(
    to: Annotated[list[Path], typer.Option("--to", help="Folder for a copy; may be given several times.")],
    archive: ArchiveOption = HERE,
    format_: ReportedOption = Reported.text,
) -> None:
    """Keep verified copies in other folders and say how many good copies each object has."""
    from stillwell.archive.care.replica import replicate as copied
    from stillwell.pipeline.committing import utc_now

    with in_words(
        archive, "`stillwell replicate --to DIR{at}` with an empty folder, or one that holds a copy of this archive"
    ):
        copies = copied(archive, to, utc_now())
    if format_ is Reported.json:
        document = {"folders": copies.folders, "written": copies.written, "good": copies.good}
        tell(document)
    else:
        for folder, count in copies.written.items():
            typer.echo(f"{folder}: {counted(count, 'object')} written, each read back and held against its digest")
        for number, count in copies.counts().items():
            typer.echo(f"{counted(count, 'object')} with {counted(number, 'good copy', 'good copies')}")
        for name in copies.short():
            places = [f for f, good in zip(copies.folders, copies.good[name], strict=True) if not good]
            typer.echo(f"not good in {', '.join(places)}: {name}")
    if copies.short():
        say_next(
            f"`stillwell audit{at(archive)}` says what is damaged here; "
            f"`stillwell audit --repair-from COPY{at(archive)}` restores it, then `stillwell replicate` again"
        )
        raise typer.Exit(1)


def compact(
    archive: ArchiveOption = HERE,
    by: ByOption = "unnamed",
    most: Annotated[int, typer.Option("--most", min=1, help="Files of neighbouring sites that stay as they are.")] = 8,
    keep_days: Annotated[
        float, typer.Option("--keep-days", min=0, help="Days that replaced files stay on disk.")
    ] = KEEP_DAYS,
    clock_is_right: ClockOption = False,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Put many small table files together into few; rows, readers and past states stay the same."""
    from stillwell.pipeline import ingest
    from stillwell.reading.printed.compacted import compacted_counts, compacted_line, removed_line

    with in_words(archive):
        now = clock(clock_is_right)
        entries, gone = ingest.compact(archive, most=most, keep_days=keep_days, by=by, now=now, wait_s=wait)
    if format_ is Told.json:
        numbers = [one.number for one in entries]
        replaced, made, rows = compacted_counts(entries)
        document = {"commit": numbers[-1] if numbers else None, "commits": numbers, "files_made": made}
        tell(document | {"files_removed": gone, "files_replaced": replaced, "rows": rows})
    else:
        typer.echo(compacted_line(entries), nl=False)
    typer.echo(removed_line(gone, keep_days), err=True, nl=False)


def withhold(
    deposit: Annotated[str, typer.Argument(help="Digest of the deposit, 8 characters or more.")],
    reason: ReasonOption,
    by: Annotated[str, typer.Option("--by", envvar="STILLWELL_BY", help="Code of the person who decides.")],
    archive: ArchiveOption = HERE,
    clock_is_right: ClockOption = False,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Remove the sealed content of a deposit by a recorded decision; its digests stay. There is no way back."""
    from stillwell.pipeline import withhold as withholding
    from stillwell.reading.printed.rendering import rendered_after, rendered_line

    with in_words(
        archive, "`stillwell list deposits{at}` names the deposits, each with the first characters of its digest"
    ):
        now = clock(clock_is_right)
        rendered: list[Rendered] = []
        stood: list[Mapping[str, Any]] = []
        digest = withholding.withhold(
            archive, deposit, by=by, reason=reason, now=now, wait_s=wait, after=rendered.append, stood=stood.append
        )
    if stood:
        by, reason = str(stood[0]["by"]), str(stood[0]["reason"])
    if format_ is Told.json:
        tell(
            {"withheld": digest, "by": by, "reason": reason, "stood": bool(stood), "rendered": rendered_after(rendered)}
        )
    else:
        typer.echo(f"withheld {digest}")
    if stood:
        typer.echo(f"it was withheld before, by {by}: {reason}; nothing was written", err=True)
        return
    words = (
        "its digests, this decision, the rows computed from it and what was returned stay; copies lose it at the next"
    )
    typer.echo(f"{words} replicate; bags published and backups elsewhere are beyond this command", err=True)
    typer.echo(rendered_line(rendered), err=True, nl=False)


_PUBLISH = (
    '`stillwell query "SELECT site, licence, access, public_from FROM sites"{at}` says what may go out; '
    "a table `sites` handed in with `stillwell ingest` changes that; "
    "`stillwell publish --out DIR --by CODE{at}` writes into a new folder"
)


def publish(
    out: Annotated[Path, typer.Option("--out", help="Folder to make; must not exist, outside the archive.")],
    by: Annotated[str, typer.Option("--by", envvar="STILLWELL_BY", help="Code of whoever publishes.")],
    archive: ArchiveOption = HERE,
    site: Annotated[
        list[str] | None,
        typer.Option("--site", help="Only this site; may be repeated.", autocompletion=completion.sites),
    ] = None,
    day: Annotated[str | None, typer.Option("--day", help="What is public on this day, as in 2026-03-31.")] = None,
    title: Annotated[str, typer.Option("--title", help="Title of the data set.")] = "",
    format_: ToldOption = Told.text,
) -> None:
    """Write what is public as a BagIt bag that a stranger can read; without a licence nothing is written."""
    from stillwell.archive.archive import Archive
    from stillwell.pipeline.committing import utc_now
    from stillwell.publishing.publish import publish as published
    from stillwell.publishing.words import published_document, published_text
    from stillwell.reading.policy import default_policy_text, policy_in_force

    try:
        on = date.fromisoformat(day) if day else utc_now().date()
    except ValueError as error:
        msg = f"expected a day as in 2026-03-31, found {day!r}"
        raise typer.BadParameter(msg) from error
    with in_words(archive, _PUBLISH):
        opened = Archive(archive)
        policy = policy_in_force(opened, None, default_policy_text())[0]
        publication = published(opened, out, day=on, by=by, policy=policy, sites=site, title=title)
    if format_ is Told.json:
        tell(published_document(publication))
    else:
        typer.echo(published_text(publication), nl=False)
