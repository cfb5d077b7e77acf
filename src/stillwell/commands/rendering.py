"""The command that brings the NetCDF files of an archive up to its rows."""

from __future__ import annotations

import os
from typing import Annotated

import typer

from stillwell.commands import completion
from stillwell.commands.next_steps import HERE
from stillwell.commands.options import (
    WAIT_S,
    ArchiveOption,
    ByOption,
    ClockOption,
    Told,
    ToldOption,
    WaitOption,
    clock,
    in_words,
    tell,
)
from stillwell.commands.suggestions import site_hint


def render(
    sites: Annotated[
        list[str] | None,
        typer.Argument(metavar="[SITE]...", help="All with files behind.", autocompletion=completion.sites),
    ] = None,
    archive: ArchiveOption = HERE,
    by: ByOption = "unnamed",
    processes: Annotated[
        int | None,
        typer.Option("--processes", min=0, help="Processes that share the work; as many as cores unless told."),
    ] = None,
    clock_is_right: ClockOption = False,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Make the NetCDF files anew whose rows have changed since they were made, and commit them."""
    from stillwell.pipeline import render as rendering
    from stillwell.reading.printed.rendering import rendered_document, rendered_words

    share = (os.cpu_count() or 1) if processes is None else processes
    with in_words(archive, lambda: site_hint(archive, (sites or [""])[0], "`stillwell list sites{at}` names them")):
        now = clock(clock_is_right)
        made = rendering.render(archive, sites or None, by=by, now=now, wait_s=wait, processes=share, strict=True)
    if format_ is Told.json:
        tell(rendered_document(made))
    else:
        typer.echo(rendered_words(made), nl=False)
