"""Commands that answer."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from stillwell.commands import completion
from stillwell.commands.next_steps import HERE, at
from stillwell.commands.options import (
    ArchiveOption,
    AsOfOption,
    Format,
    FormatOption,
    OutputOption,
    Told,
    ToldOption,
    in_words,
    moment_of,
    save,
    say_next,
    tell,
    write,
)
from stillwell.commands.suggestions import gauging_hint, report_hint, site_hint


def list_(
    what: Annotated[
        str,
        typer.Argument(
            help="gaugings, sites, instruments, checks, deposits or commits.", autocompletion=completion.words("what")
        ),
    ] = "gaugings",
    archive: ArchiveOption = HERE,
    site: Annotated[str | None, typer.Option("--site", help="Only this site.", autocompletion=completion.sites)] = None,
    as_of: AsOfOption = None,
    format_: FormatOption = Format.table,
) -> None:
    """List what is in the archive."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.printed.listing import listing

    with in_words(archive, "`stillwell list gaugings{at}`, or another of these words"):
        opened = Archive(archive)
        answer = listing(opened.at(moment_of(as_of)), what, site)
        write(answer, format_, None)
    if site is not None and not answer.num_rows:
        typer.echo(f"stillwell: found nothing in {what} at a site {site!r}", err=True)
        say_next(site_hint(archive, site, "`stillwell list{at}` lists every site's").replace("{at}", at(archive)))


def show(
    subject: Annotated[
        str, typer.Argument(metavar="ID", help="Archive id of a gauging.", autocompletion=completion.gaugings)
    ],
    archive: ArchiveOption = HERE,
    as_of: AsOfOption = None,
    revisions: Annotated[
        bool, typer.Option("--revisions", help="Write out every revision, not only the one that stands.")
    ] = False,
    format_: ToldOption = Told.text,
) -> None:
    """Show one gauging: verticals, panels, gauge height, findings with limits and sources, revisions."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.printed.documents import gauging_document
    from stillwell.reading.printed.show import show_gauging

    at_moment = moment_of(as_of)
    with in_words(archive, lambda: gauging_hint(archive, subject)):
        if format_ is Told.json:
            tell(gauging_document(Archive(archive), subject, at_moment, revisions=revisions))
        else:
            typer.echo(show_gauging(Archive(archive), subject, at_moment, revisions=revisions))


def query(
    question: Annotated[str, typer.Argument(metavar="SQL", help="One SELECT over the tables by their names.")],
    archive: ArchiveOption = HERE,
    format_: FormatOption = Format.table,
    output: OutputOption = None,
    as_of: AsOfOption = None,
    seconds: Annotated[
        float, typer.Option("--seconds", min=0.1, max=86_400, help="How long the question may take, in s.")
    ] = 60.0,
) -> None:
    """Ask a question in SQL. <table> holds the rows that stand, <table>_revisions every row."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.select.sql import ask

    with in_words(archive, _TABLES):
        answer = ask(Archive(archive).at(moment_of(as_of)), question, longest_s=seconds)
        write(answer, format_, output)
    if not answer.num_rows:
        typer.echo("no rows: nothing in the archive fits the question", err=True)


_TABLES = (
    '`stillwell query "SHOW TABLES"{at}` names the tables, `stillwell query "DESCRIBE gaugings"{at}` the columns of one'
)


class Drawn(StrEnum):
    """How a trace is written."""

    text = "text"
    json = "json"
    svg = "svg"


def trace(
    subject: Annotated[
        list[str],
        typer.Argument(
            metavar="ID | SITE DAY | SITE@TIME",
            help="Archive id of a gauging (ID/2 for revision 2), a site and a day, or SITE@2025-05-01T12:00Z.",
            autocompletion=completion.traced,
        ),
    ],
    archive: ArchiveOption = HERE,
    forward: Annotated[
        bool,
        typer.Option(
            "--forward", help="What rests on it: a site, meter, rating, sensor, check, policy, map, deposit or version."
        ),
    ] = False,
    whole: Annotated[bool, typer.Option("--all", help="Name everything, however much it is.")] = False,
    format_: Annotated[Drawn, typer.Option("--format", help="How to write it.")] = Drawn.text,
    output: OutputOption = None,
) -> None:
    """Follow a number back to its bytes, or forward to everything that rests on something."""
    import json

    from stillwell.archive.archive import Archive
    from stillwell.reading.trace import trace as tracing
    from stillwell.reading.trace.graph import as_dict
    from stillwell.reading.trace.picture import trace_document
    from stillwell.reading.trace.text import trace_text

    asked = " ".join(subject)
    with in_words(archive, lambda: _TRACES if forward else f"{gauging_hint(archive, asked)}; {_TRACES}"):
        opened = Archive(archive)
        graph = tracing.trace_forward(opened, asked) if forward else tracing.trace(opened, asked)
    if format_ is Drawn.text:
        answer = trace_text(graph, None if whole else 10)
    elif format_ is Drawn.json:
        answer = json.dumps(as_dict(graph), indent=1, sort_keys=True)
    else:
        answer = trace_document(graph)
    if output is None:
        typer.echo(answer.rstrip("\n"))
    else:
        save(output, (answer.rstrip("\n") + "\n").encode("utf-8"))


_TRACES = (
    "`stillwell trace SITE 2025-05-01{at}` follows a daily mean, `stillwell trace --forward METER{at}` what rests on a "
    "meter, site, rating, deposit"
)


def report(
    subject: Annotated[
        str,
        typer.Argument(
            metavar="ID",
            help="A gauging, site:CODE, meter:CODE or season:2024-10-01/2025-10-01.",
            autocompletion=completion.reported,
        ),
    ],
    archive: ArchiveOption = HERE,
    as_of: AsOfOption = None,
    output: OutputOption = None,
) -> None:
    """Write one self-contained page (HTML) on a gauging, a site, a meter or a season, to read or to print."""
    from stillwell.archive.archive import Archive
    from stillwell.reporting import report as reported

    with in_words(archive, lambda: report_hint(archive, subject)):
        page = reported(Archive(archive), subject, moment_of(as_of))
    if output is None:
        typer.echo(page.rstrip("\n"))
    else:
        save(output, page.encode("utf-8"))


def serve(
    archive: ArchiveOption = HERE,
    host: Annotated[str, typer.Option("--host", help="Where it listens; another than loopback wants --elsewhere.")] = (
        "127.0.0.1"
    ),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port it listens on.")] = 8311,
    elsewhere: Annotated[bool, typer.Option("--elsewhere", help="Listen beyond this machine, unprotected.")] = False,
    name: Annotated[list[str] | None, typer.Option("--name", help="Further host name it answers to.")] = None,
) -> None:
    """Open the reading room: the archive as pages in a browser on this machine; read only."""
    from stillwell.errors import PortTaken
    from stillwell.room import serve as served

    with in_words(archive, "`stillwell serve{at}` listens on this machine only; --elsewhere goes beyond it"):
        try:
            served(archive, host, port, elsewhere=elsewhere, names=tuple(name or ()))
        except PortTaken as taken:
            typer.echo(f"stillwell: {taken}", err=True)
            say_next(f"`stillwell serve --port ANOTHER{at(archive)}`")
            raise typer.Exit(1) from taken
