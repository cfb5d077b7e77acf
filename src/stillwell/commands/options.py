"""What every command shares: options, exit codes, and errors turned into words."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from stillwell.errors import MapError, NotAnArchive, PolicyError, QueryError, StillwellError


class Format(StrEnum):
    """How an answer is written."""

    table = "table"
    csv = "csv"
    json = "json"
    parquet = "parquet"


ArchiveOption = Annotated[
    Path, typer.Option("--archive", envvar="STILLWELL_ARCHIVE", help="The archive's folder.", show_default=True)
]
ByOption = Annotated[str, typer.Option("--by", envvar="STILLWELL_BY", help="Code of the person handing in.")]
FormatOption = Annotated[Format, typer.Option("--format", help="How to write the answer.")]
AsOfOption = Annotated[
    str | None, typer.Option("--as-of", help="Only what was recorded by then, as in 2026-03-31T23:59Z.")
]
OutputOption = Annotated[Path | None, typer.Option("--output", help="Write the answer to this file instead.")]
HERE = Path("archive")


@contextmanager
def in_words() -> Iterator[None]:
    """Turn an error a person is meant to read into words and an exit code."""
    try:
        yield
    except (MapError, NotAnArchive, QueryError, PolicyError) as error:
        typer.echo(f"stillwell: {error}", err=True)
        raise typer.Exit(2) from error
    except StillwellError as error:
        typer.echo(f"stillwell: {error}", err=True)
        raise typer.Exit(1) from error
    except BrokenPipeError:
        sys.stderr.close()
        raise typer.Exit(0) from None


def moment_of(text: str | None) -> datetime | None:
    """Read a time with its offset; a time without one is a wrong call."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        msg = f"expected a time as in 2026-03-31T18:00-07:00, found {text!r}"
        raise typer.BadParameter(msg) from error
    if moment.tzinfo is None:
        msg = f"expected an offset from UTC, as in {text}Z or {text}-07:00; found none"
        raise typer.BadParameter(msg)
    return moment


def write(answer: object, format_: Format, output: Path | None) -> None:
    """Write an answer to stdout, or to a file that appears whole or not at all."""
    from stillwell.reading.answer import answer_bytes, write_answer

    data = answer_bytes(answer, format_.value)
    if output is not None:
        write_answer(output, data)
    elif format_ is Format.parquet and sys.stdout.isatty():
        typer.echo("stillwell: expected --output FILE for parquet on a terminal; nothing was written", err=True)
        raise typer.Exit(2)
    else:
        sys.stdout.buffer.write(data)
        sys.stdout.flush()
