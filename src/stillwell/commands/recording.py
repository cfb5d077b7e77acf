"""Commands that make and read records: ratings, shifts, derived discharge, and where to measure next."""

from __future__ import annotations

from typing import Annotated

import typer

from stillwell.commands.options import (
    HERE,
    ArchiveOption,
    AsOfOption,
    ByOption,
    Format,
    FormatOption,
    OutputOption,
    in_words,
    moment_of,
    write,
)

SiteArgument = Annotated[str, typer.Argument(metavar="SITE", help="Code of the site.")]
SinceOption = Annotated[str | None, typer.Option("--from", help="From this time, as in 2025-10-01T00:00Z.")]
UntilOption = Annotated[str | None, typer.Option("--to", help="Until this time, not included.")]


def rate(
    site: SiteArgument,
    archive: ArchiveOption = HERE,
    since: SinceOption = None,
    until: UntilOption = None,
    segments: Annotated[
        int | None, typer.Option("--segments", min=1, max=4, help="Not the criterion's number.")
    ] = None,
    zero: Annotated[float | None, typer.Option("--zero-flow", help="Stage of zero flow of all segments, m.")] = None,
    control: Annotated[
        list[str] | None,
        typer.Option(
            "--control",
            help="Belief about a segment, lowest first: KIND:ZERO:SD or KIND:ZERO:SD:FOOT:SD, in m.",
        ),
    ] = None,
    propose: Annotated[
        bool, typer.Option("--propose", help="Propose shifts of the rating in force instead, and say why.")
    ] = False,
    way: Annotated[str, typer.Option("--way", help="Shifts by gauging, by time or by stage.")] = "by time",
    adopt: Annotated[str | None, typer.Option("--adopt", help="Adopt what is shown; name of the new rating.")] = None,
    valid_from: Annotated[str | None, typer.Option("--valid-from", help="From when the rating holds.")] = None,
    by: ByOption = "unnamed",
    reason: Annotated[str, typer.Option("--reason", help="Why it is adopted; kept with it.")] = "",
) -> None:
    """Fit a rating to a site's gaugings, or propose shifts; nothing is adopted without --adopt and --reason."""
    from stillwell import adopting
    from stillwell.archive.archive import Archive
    from stillwell.hydrometry.rating_shape import FitChoices
    from stillwell.reading.rating import candidates, ensemble_text, fitted, rating_text
    from stillwell.reading.shifting import proposal_of, proposal_text
    from stillwell.reading.summary import taken_words

    begins = moment_of(valid_from)
    if adopt is not None and (not reason or by == "unnamed" or (begins is None and not propose)):
        typer.echo("stillwell: expected --by, --reason and --valid-from with --adopt; nothing was adopted", err=True)
        raise typer.Exit(2)
    with in_words():
        opened = Archive(archive)
        if propose:
            rating, proposal = proposal_of(opened, site, way)
            typer.echo(proposal_text(rating, proposal), nl=False)
            deposit = adopting.shifts_deposit(rating, proposal.entries, by=by, reason=reason)
        else:
            found = candidates(opened, site, moment_of(since), moment_of(until))
            made = fitted(found, FitChoices(segments=segments, zero_stage_m=() if zero is None else (zero,)))
            typer.echo(rating_text(found, made), nl=False)
            if control:
                typer.echo("\n" + ensemble_text(found, made, control), nl=False)
            deposit = adopting.rating_deposit(
                site, adopt or "", made, gaugings=found.names, valid_from=begins, by=by, reason=reason
            )
        if adopt is None:
            return
        taken = adopting.adopt(archive, deposit, by=by)
    if not taken.all_good:
        typer.echo(taken_words(taken), err=True, nl=False)
        raise typer.Exit(1)
    number = taken.entry.number if taken.entry else 0
    typer.echo(f"adopted {deposit.name} in commit {number}; `stillwell derive {site}` brings the record up to it")


def derive(
    sites: Annotated[list[str] | None, typer.Argument(metavar="[SITE]...", help="All with stage and a rating.")] = None,
    archive: ArchiveOption = HERE,
    by: ByOption = "unnamed",
) -> None:
    """Turn recorded stage into discharge and daily values wherever something changed, and commit that."""
    from stillwell import deriving
    from stillwell.reading.shifting import derived_lines

    with in_words():
        entry, rows = deriving.derive(archive, sites, by=by)
    if entry is None:
        typer.echo("nothing changed: every record is what its stage, ratings and shifts make")
        return
    typer.echo(derived_lines(rows), nl=False)
    typer.echo(f"commit {entry.number}", err=True)


def record(
    site: SiteArgument,
    archive: ArchiveOption = HERE,
    step: Annotated[
        str, typer.Option("--step", help="values, daily, monthly, yearly, duration, seven-day or maximum.")
    ] = "daily",
    since: SinceOption = None,
    until: UntilOption = None,
    as_of: AsOfOption = None,
    format_: FormatOption = Format.table,
    output: OutputOption = None,
) -> None:
    """Print or export a site's record over any span, at any step."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.records import record as recorded

    with in_words():
        answer = recorded(Archive(archive), site, step, moment_of(since), moment_of(until), moment_of(as_of))
        write(answer, format_, output)


def next_(archive: ArchiveOption = HERE, format_: FormatOption = Format.table) -> None:
    """Say where one more gauging would help the records most."""
    import pyarrow as pa

    from stillwell.archive.archive import Archive
    from stillwell.hydrometry.next_gauging import ranked
    from stillwell.pipeline import utc_now
    from stillwell.reading.records import outlooks

    with in_words():
        found, silent = outlooks(Archive(archive), utc_now())
        if found:
            write(pa.Table.from_pandas(ranked(found), preserve_index=False), format_, None)
    for site, outlook in found.items() if format_ is Format.table else ():
        for sentence in outlook.sentences:
            typer.echo(f"{site}: {sentence}")
    for site, why in silent.items():
        typer.echo(f"{site}: nothing can be said: {why}", err=True)
