"""Commands that prove, copy and mend an archive."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from stillwell.commands import completing
from stillwell.commands.following import HERE, at
from stillwell.commands.options import (
    WAIT_S,
    ArchiveOption,
    ByOption,
    Reported,
    ReportedOption,
    Told,
    ToldOption,
    WaitOption,
    in_words,
    say_next,
    tell,
)

ReasonOption = Annotated[str, typer.Option("--reason", help="Why; kept with the decision.")]


def audit(
    archive: ArchiveOption = HERE,
    recompute: Annotated[bool, typer.Option(help="Also compute every gauging again and compare.")] = True,
    budget: Annotated[
        int | None, typer.Option("--budget", min=1, help="Bytes to look at, oldest look first; computes nothing again.")
    ] = None,
    repair_from: Annotated[
        Path | None, typer.Option("--repair-from", help="First restore damaged files from this copy, by digest.")
    ] = None,
    format_: ReportedOption = Reported.text,
) -> None:
    """Prove the archive: digests, chain, sealed bytes, schemas, and every number computed again."""
    from stillwell import audit as auditing
    from stillwell.reading.progress import watched
    from stillwell.reading.summary import audit_json, audit_text

    with in_words(archive), watched() as progress:
        if repair_from is not None:
            _repair(archive, repair_from)
        if budget is not None:
            report = auditing.audit_part(archive, budget)
        else:
            report = auditing.audit(archive, recompute=recompute, progress=progress)
    typer.echo(audit_json(report) if format_ is Reported.json else audit_text(report), nl=False)
    if report.faults:
        say_next(_mended(archive, repair_from).replace("{at}", at(archive)))
        raise typer.Exit(1)


def _mended(archive: Path, tried: Path | None) -> str:
    """Say how the faults of an audit may be mended."""
    again = (
        "`stillwell rebuild --into DIR{at}` makes the tables again from sealed bytes and ledger, as far as they stand"
    )
    if tried is not None:
        return f"`stillwell audit --repair-from ANOTHER_COPY{{at}}` with another copy; {again}"
    return f"`stillwell audit --repair-from COPY{{at}}` restores from a copy that `stillwell replicate` made; {again}"


def _repair(archive: Path, replica: Path) -> None:
    from stillwell.archive.layout import LEDGER
    from stillwell.archive.replica import repair
    from stillwell.pipeline import utc_now

    if not (replica / LEDGER).is_dir():
        typer.echo(f"stillwell: expected a copy of the archive in {replica}, found none; nothing repaired", err=True)
        say_next(f"`stillwell replicate --to DIR{at(archive)}` makes copies, while the archive is whole")
        raise typer.Exit(2)
    restored, hopeless = repair(archive, replica, utc_now())
    for path in restored:
        typer.echo(f"restored {path}", err=True)
    for path in hopeless:
        typer.echo(f"expected a good copy of {path} in {replica}, found none; it stays damaged", err=True)
    typer.echo(f"{len(restored)} files restored from {replica}; what was damaged lies in work/damaged", err=True)


def rebuild(
    into: Annotated[Path, typer.Option("--into", help="Folder that is empty or does not exist.")],
    archive: ArchiveOption = HERE,
    start_over: Annotated[
        bool, typer.Option("--start-over", help="Clear what a rebuild into this folder left that was cut short.")
    ] = False,
    format_: ToldOption = Told.text,
) -> None:
    """Make the archive again from its sealed bytes and its ledger alone, and compare every digest."""
    from stillwell.reading.progress import watched
    from stillwell.rebuild import rebuild as rebuilt

    with (
        in_words(archive, "`stillwell rebuild --into DIR{at}` with a folder that does not exist yet, or --start-over"),
        watched() as progress,
    ):
        made = rebuilt(archive, into, progress, start_over=start_over)
    same = made.files - len(made.different)
    if format_ is Told.json:
        tell({"into": into, **asdict(made), "same": same})
    else:
        for sentence in made.different:
            typer.echo(f"differs: {sentence}")
        typer.echo(f"{made.commits} commits made again in {into}; {same} of {made.files} files have the digest listed")
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
    from stillwell.archive.replica import replicate as copied
    from stillwell.pipeline import utc_now

    with in_words(
        archive, "`stillwell replicate --to DIR{at}` with an empty folder, or one that holds a copy of this archive"
    ):
        copies = copied(archive, to, utc_now())
    if format_ is Reported.json:
        said = {"folders": copies.folders, "written": copies.written, "good": copies.good}
        tell(said)
    else:
        for folder, count in copies.written.items():
            typer.echo(f"{folder}: {count} objects written, each read back and held against its digest")
        for number, count in copies.counts().items():
            typer.echo(f"{count} objects have {number} good {'copy' if number == 1 else 'copies'}")
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
    most: Annotated[int, typer.Option("--most", min=1, help="Files a table may have per site and stay as it is.")] = 8,
    keep_days: Annotated[float, typer.Option("--keep-days", min=0, help="Days that replaced files stay on disk.")] = 7,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Put many small table files into one per site; rows, readers and past states stay the same."""
    from stillwell import pipeline

    with in_words(archive):
        entry, gone = pipeline.compact(archive, most=most, keep_days=keep_days, by=by, wait_s=wait)
    counts = (entry.counts if entry else None) or {}
    made = sum(bool(file.table) for file in entry.files) if entry else 0
    if format_ is Told.json:
        said = {"commit": entry.number if entry else None, "files_made": made, "files_removed": gone}
        tell(said | {"files_replaced": counts.get("files replaced", 0), "rows": counts.get("rows", 0)})
    elif entry is None:
        typer.echo("nothing to compact")
    else:
        typer.echo(f"commit {entry.number}: {counts['files replaced']} files are {made} now, {counts['rows']} rows")
    typer.echo(f"{len(gone)} files that were replaced more than {keep_days:g} days ago were removed", err=True)


def withhold(
    deposit: Annotated[str, typer.Argument(help="Digest of the deposit, 8 characters or more.")],
    reason: ReasonOption,
    by: Annotated[str, typer.Option("--by", envvar="STILLWELL_BY", help="Code of the person who decides.")],
    archive: ArchiveOption = HERE,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Remove the sealed content of a deposit by a recorded decision; its digests stay. There is no way back."""
    from stillwell import pipeline

    with in_words(
        archive, "`stillwell list deposits{at}` names the deposits, each with the first characters of its digest"
    ):
        digest = pipeline.withhold(archive, deposit, by=by, reason=reason, wait_s=wait)
    if format_ is Told.json:
        tell({"withheld": digest, "by": by, "reason": reason})
    else:
        typer.echo(f"withheld {digest}")
    words = (
        "its digests, this decision, the rows computed from it and what was returned stay; copies lose it at the next"
    )
    typer.echo(f"{words} replicate; bags published and backups elsewhere are beyond this command", err=True)


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
        typer.Option("--site", help="Only this site; may be repeated.", autocompletion=completing.sites),
    ] = None,
    day: Annotated[str | None, typer.Option("--day", help="What is public on this day, as in 2026-03-31.")] = None,
    title: Annotated[str, typer.Option("--title", help="Title of the data set.")] = "",
    format_: ToldOption = Told.text,
) -> None:
    """Write what is public as a BagIt bag that a stranger can read; without a licence nothing is written."""
    from stillwell.archive.archive import Archive
    from stillwell.pipeline import default_policy_text, utc_now
    from stillwell.prepare import policy_in_force
    from stillwell.publishing.publish import publish as published
    from stillwell.publishing.words import published_document, published_text

    try:
        on = date.fromisoformat(day) if day else utc_now().date()
    except ValueError as error:
        msg = f"expected a day as in 2026-03-31, found {day!r}"
        raise typer.BadParameter(msg) from error
    with in_words(archive, _PUBLISH):
        opened = Archive(archive)
        policy = policy_in_force(opened, None, default_policy_text())[0]
        told = published(opened, out, day=on, by=by, policy=policy, sites=site, title=title)
    if format_ is Told.json:
        tell(published_document(told))
    else:
        typer.echo(published_text(told), nl=False)
