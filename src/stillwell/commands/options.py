"""What every command shares: options, exit codes, and errors turned into words."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.archive.disk.lock import WAIT_S as WAIT_S
from stillwell.commands.next_steps import HERE, VARIABLE, default_archive, is_archive, next_step
from stillwell.errors import MapError, NotAnArchive, PolicyError, QueryError, StillwellError
from stillwell.number_words import counted

if TYPE_CHECKING:
    import pyarrow as pa

    from stillwell.reading.select.spans import Span


class Format(StrEnum):
    """How an answer is written."""

    table = "table"
    csv = "csv"
    json = "json"
    parquet = "parquet"


def named_archive(context: typer.Context, parameter: typer.CallbackParam, value: Path) -> Path:
    """Find the archive meant: the command's own, else the one named before it, else as found from here."""
    source = getattr(context.get_parameter_source(str(parameter.name)), "name", "")
    before = context.find_root().params.get("archive")
    if source != "COMMANDLINE" and before is not None:
        return Path(before)
    return default_archive() if source == "DEFAULT" and value == HERE else value


class Told(StrEnum):
    """How a command says what it did."""

    text = "text"
    json = "json"


class Reported(StrEnum):
    """As ``Told``; ``table`` was the first name of ``text``."""

    text = "text"
    json = "json"
    table = "table"


ArchiveOption = Annotated[
    Path,
    typer.Option("--archive", envvar=VARIABLE, help="The archive's folder.", callback=named_archive, show_default=True),
]
ByOption = Annotated[str, typer.Option("--by", envvar="STILLWELL_BY", help="Code of the person handing in.")]
FormatOption = Annotated[Format, typer.Option("--format", help="How to write the answer.")]
ToldOption = Annotated[Told, typer.Option("--format", help="Words for a person, or one JSON document.")]
ReportedOption = Annotated[
    Reported, typer.Option("--format", help="Words for a person (table means the same), or one JSON document.")
]
AsOfOption = Annotated[
    str | None, typer.Option("--as-of", help="Only what was recorded by then, as in 2026-03-31T23:59Z.")
]
ClockOption = Annotated[
    bool,
    typer.Option(
        "--clock-is-right",
        envvar="STILLWELL_CLOCK_IS_RIGHT",
        help="Write although this computer's clock stands far from the newest commit.",
    ),
]
LaterOption = Annotated[
    bool,
    typer.Option(
        "--render-later", help="Leave the NetCDF files behind; `stillwell render` or the nightly run makes them."
    ),
]
WaitOption = Annotated[
    float, typer.Option("--wait", min=0.0, metavar="SECONDS", help="How long to wait while another writer is at work.")
]
OutputOption = Annotated[Path | None, typer.Option("--output", help="Write the answer to this new file instead.")]


@contextmanager
def in_words(archive: Path | None = None, then: Callable[[], str] | str = "") -> Iterator[None]:
    """Turn an error a person is meant to read into words, what to type next, and an exit code.

    Parameters
    ----------
    archive : Path, optional
        The archive that was meant.
    then : str, or callable that makes it
        What to type where the kind of the error alone does not say; ``{at}`` stands for the archive.
    """
    try:
        yield
    except StillwellError as error:
        typer.echo(f"stillwell: {error}", err=True)
        say_next(next_step(error, archive, then))
        wrong_call = isinstance(error, (MapError, NotAnArchive, QueryError, PolicyError))
        raise typer.Exit(2 if wrong_call else 1) from error
    except BrokenPipeError:
        sys.stderr.close()
        raise typer.Exit(0) from None
    except OSError as error:
        typer.echo(f"stillwell: {disk_words(error, archive)}", err=True)
        say_next(next_step(error, archive, then))
        raise typer.Exit(2 if isinstance(error, NO_SUCH_PLACE) and archive is None else 1) from error


NO_SUCH_PLACE = (FileNotFoundError, NotADirectoryError, IsADirectoryError)
"""Errors of a path that was named wrongly, not of a disk."""


def disk_words(error: OSError, archive: Path | None = None) -> str:
    """Say which path an error of the disk concerns, what the disk answered, and what holds now.

    Parameters
    ----------
    error : OSError
    archive : Path, optional
        The archive that was meant.
    """
    if _stdout_refuses():
        where, now = "standard output", "the rest of the answer was not written; the archive is as it was said to be"
    else:
        named = Path(os.fsdecode(error.filename)) if error.filename is not None else archive
        where = str(named or "a file")
        inside = archive is not None and named is not None and _lies_in(named, archive)
        now = (
            "what was committed before stands, and the next command that writes finishes or removes what was begun"
            if inside
            else "it was left as it was"
        )
    return f"expected to use {where}, found: {error.strerror or error}; {now}"


def _stdout_refuses() -> bool:
    """Return whether standard output takes nothing any more; it is then let go, so that the end does not fail too."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return True
    except ValueError:  # closed
        return False
    return False


def _lies_in(path: Path, folder: Path) -> bool:
    return folder.absolute() in (path.absolute(), *path.absolute().parents)


def clock(is_right: bool) -> Callable[[], datetime]:
    """Return this computer's clock, stated to be right or not."""
    from stillwell.archive.ledger.clock import RightClock
    from stillwell.pipeline.committing import utc_now

    return RightClock(utc_now) if is_right else utc_now


def tell(document: object) -> None:
    """Write one JSON document to stdout."""
    from stillwell.reading.printed.json_values import json_text

    typer.echo(json_text(document), nl=False)


def say_next(words: str) -> None:
    """Say what to type next, to stderr; nothing where there is nothing to say."""
    if words:
        typer.echo(f"next: {words}", err=True)


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


def span_from(since: str | None, until: str | None) -> Span:
    """Read the span of --from and --to; what makes none is a wrong call."""
    from stillwell.reading.select.spans import span_of

    try:
        return span_of(since, until, ("--from", "--to"))
    except QueryError as error:
        raise typer.BadParameter(str(error)) from error


def write(answer: pa.Table, format_: Format, output: Path | None) -> None:
    """Write an answer to stdout, or to a file that appears whole or not at all."""
    from stillwell.reading.printed.answer import answer_bytes

    data = answer_bytes(answer, format_.value)
    if output is not None:
        save(output, data, counted(answer.num_rows, "row"))
    elif format_ is Format.parquet and sys.stdout.isatty():
        typer.echo("stillwell: expected --output FILE for parquet on a terminal; nothing was written", err=True)
        say_next("the same command with --output answer.parquet, or with --format table")
        raise typer.Exit(2)
    else:
        sys.stdout.buffer.write(data)
        sys.stdout.flush()


def save(path: Path, data: bytes, holds: str = "") -> None:
    """Write an answer to a new file that a user named, whole or not at all, and say so; a file there is not replaced.

    Parameters
    ----------
    path : Path
    data : bytes
    holds : str
        What the file holds, such as its number of rows; its size is always printed.
    """
    from stillwell.archive.disk.fs import write_answer

    archive = next((folder for folder in path.resolve().parents if is_archive(folder)), None)
    if archive is not None:
        message = f"stillwell: expected a file outside the archive {archive}, found {path}; nothing was written"
        typer.echo(message, err=True)
        say_next("the same command with --output FILE in another folder; only deposits go into an archive")
        raise typer.Exit(2)
    try:
        write_answer(path, data)
    except FileExistsError as error:
        typer.echo(
            f"stillwell: expected the name of a new file, found that {path} is there; it was left as it was", err=True
        )
        say_next("the same command with --output FILE under another name, or after moving that file away")
        raise typer.Exit(2) from error
    except OSError as error:
        typer.echo(f"stillwell: expected to write {path}, found: {error.strerror}; nothing was written", err=True)
        say_next("the same command with --output FILE in a folder that exists and may be written")
        raise typer.Exit(2 if isinstance(error, NO_SUCH_PLACE) else 1) from error
    if path.is_file():
        typer.echo(f"wrote {path}: {f'{holds}, ' if holds else ''}{counted(len(data), 'byte')}", err=True)
