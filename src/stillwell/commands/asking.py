"""Commands that answer."""

from __future__ import annotations

from typing import Annotated

import typer

from stillwell.commands.options import (
    HERE,
    ArchiveOption,
    AsOfOption,
    Format,
    FormatOption,
    OutputOption,
    in_words,
    moment_of,
    write,
)


def list_(
    what: Annotated[
        str, typer.Argument(help="gaugings, sites, instruments, checks, deposits or commits.")
    ] = "gaugings",
    archive: ArchiveOption = HERE,
    site: Annotated[str | None, typer.Option("--site", help="Only this site.")] = None,
    as_of: AsOfOption = None,
    format_: FormatOption = Format.table,
) -> None:
    """List what is in the archive."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.listing import listing

    with in_words():
        answer = listing(Archive(archive), what, site, moment_of(as_of))
        write(answer, format_, None)


def show(
    subject: Annotated[str, typer.Argument(metavar="ID", help="Archive id of a gauging.")],
    archive: ArchiveOption = HERE,
    as_of: AsOfOption = None,
    revisions: Annotated[
        bool, typer.Option("--revisions", help="Write out every revision, not only the one that stands.")
    ] = False,
) -> None:
    """Show one gauging: verticals, panels, gauge height, findings with limits and sources, revisions."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.show import show_gauging

    with in_words():
        typer.echo(show_gauging(Archive(archive), subject, moment_of(as_of), revisions=revisions))


def query(
    question: Annotated[str, typer.Argument(metavar="SQL", help="One SELECT over the tables by their names.")],
    archive: ArchiveOption = HERE,
    format_: FormatOption = Format.table,
    output: OutputOption = None,
    as_of: AsOfOption = None,
) -> None:
    """Ask a question in SQL. <table> holds the rows that stand, <table>_revisions every row."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.sql import ask

    with in_words():
        answer = ask(Archive(archive), question, moment_of(as_of))
        write(answer, format_, output)
