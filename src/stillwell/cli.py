"""The commands. Data goes to stdout, words to stderr; exit 0 done, 1 something returned or wrong, 2 wrong call."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from stillwell import __version__
from stillwell.errors import MapError, NotAnArchive, PolicyError, QueryError, StillwellError

app = typer.Typer(
    name="stillwell",
    help="Field gaugings in, a defended hydrometric archive out.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


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
    str | None, typer.Option("--as-of", help="Only what was recorded by then, as in 2026-03-31T24:00Z.")
]
OutputOption = Annotated[Path | None, typer.Option("--output", help="Write the answer to this file instead.")]
HERE = Path("archive")


@contextmanager
def _in_words() -> Iterator[None]:
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


def _moment(text: str | None) -> datetime | None:
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


@app.callback(invoke_without_command=True)
def start(version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False) -> None:
    """Take in field gaugings, compute and judge them, keep them for decades, prove it every night."""
    if version:
        typer.echo(f"stillwell {__version__}")
        raise typer.Exit


@app.command()
def ingest(
    deposits: Annotated[list[Path], typer.Argument(help="Folders, zips or CSV files; or an inbox with --inbox.")],
    archive: ArchiveOption = HERE,
    by: ByOption = "unnamed",
    inbox: Annotated[bool, typer.Option("--inbox", help="Each argument is a folder of deposits.")] = False,
    again: Annotated[bool, typer.Option("--again", help="Look once more at what was returned before.")] = False,
    map_: Annotated[Path | None, typer.Option("--map", help="Intake map (TOML) for files of another layout.")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="With --map: show the first rows as understood; write nothing.")
    ] = False,
) -> None:
    """Seal, validate, compute, assess and commit deposits; print one line per gauging and the findings."""
    from stillwell import pipeline
    from stillwell.reading.progress import watched
    from stillwell.reading.summary import taken_lines, taken_words

    with _in_words(), watched() as progress:
        paths = [path for folder in deposits for path in pipeline.inbox(folder)] if inbox else deposits
        missing = [str(path) for path in [*paths, *([map_] if map_ else [])] if not path.exists()]
        if missing:
            typer.echo(f"stillwell: expected a deposit, found nothing at {', '.join(missing)}", err=True)
            raise typer.Exit(2)
        if dry_run:
            _dry_run(paths, map_)
            return
        taken = pipeline.ingest(archive, paths, by=by, again=again, map_path=map_, progress=progress)
    typer.echo(taken_lines(taken), nl=False)
    typer.echo(taken_words(taken), err=True, nl=False)
    if not taken.all_good:
        raise typer.Exit(1)


def _dry_run(paths: list[Path], map_: Path | None) -> None:
    """Show what a map makes of deposits; exit 1 when something would be returned."""
    from stillwell import pipeline
    from stillwell.reading.changes import preview_text, problem_lines

    if map_ is None:
        typer.echo("stillwell: expected --map FILE with --dry-run, found none", err=True)
        raise typer.Exit(2)
    rows, understood = pipeline.dry_run(paths, map_)
    typer.echo(preview_text(rows), nl=False)
    typer.echo(problem_lines(understood.problems), err=True, nl=False)
    if len(understood.problems):
        raise typer.Exit(1)


@app.command()
def template(
    output: Annotated[Path, typer.Option("--output", help="Workbook (.xlsx) to write.")],
    units: Annotated[str, typer.Option("--units", help="metric or feet.")] = "metric",
) -> None:
    """Write a blank workbook to fill in, with notes on every column and a filled example."""
    from stillwell.intake.template import CannotMake, template_workbook
    from stillwell.reading.answer import write_answer

    try:
        write_answer(output, template_workbook(units))
    except CannotMake as error:
        typer.echo(f"stillwell: {error}", err=True)
        raise typer.Exit(2) from error


@app.command("list")
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

    with _in_words():
        answer = listing(Archive(archive), what, site, _moment(as_of))
        _write(answer, format_, None)


@app.command()
def show(
    subject: Annotated[str, typer.Argument(metavar="ID", help="Archive id of a gauging.")],
    archive: ArchiveOption = HERE,
    as_of: AsOfOption = None,
) -> None:
    """Show one gauging: verticals, panels, gauge height, findings with limits and sources, revisions."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.show import show_gauging

    with _in_words():
        typer.echo(show_gauging(Archive(archive), subject, _moment(as_of)))


@app.command()
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

    with _in_words():
        answer = ask(Archive(archive), question, _moment(as_of))
        _write(answer, format_, output)


@app.command()
def assess(
    policy: Annotated[Path, typer.Option("--policy", help="Policy file (TOML) to try; it may say only what differs.")],
    archive: ArchiveOption = HERE,
    format_: FormatOption = Format.table,
) -> None:
    """Show what another office policy would change, before it is adopted; writes nothing."""
    from stillwell import pipeline
    from stillwell.archive.archive import Archive
    from stillwell.reading.changes import changes_table, changes_words

    with _in_words():
        if not policy.is_file():
            typer.echo(f"stillwell: expected a policy file, found nothing at {policy}", err=True)
            raise typer.Exit(2)
        changes = pipeline.assess_again(Archive(archive), policy.read_text(encoding="utf-8"))
        _write(changes_table(changes), format_, None)
    typer.echo(changes_words(changes), err=True)


@app.command()
def audit(
    archive: ArchiveOption = HERE,
    recompute: Annotated[bool, typer.Option(help="Also compute every gauging again and compare.")] = True,
    format_: Annotated[Format, typer.Option("--format", help="table for words, or json.")] = Format.table,
) -> None:
    """Prove the archive: digests, chain, sealed bytes, schemas, and every number computed again."""
    from stillwell import audit as auditing
    from stillwell.reading.progress import watched
    from stillwell.reading.summary import audit_json, audit_text

    with _in_words(), watched() as progress:
        report = auditing.audit(archive, recompute=recompute, progress=progress)
    typer.echo(audit_json(report) if format_ is Format.json else audit_text(report), nl=False)
    if report.faults:
        raise typer.Exit(1)


def _write(answer: object, format_: Format, output: Path | None) -> None:
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


def main() -> None:
    """Run the commands."""
    app()


if __name__ == "__main__":
    main()
