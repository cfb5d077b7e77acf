"""Commands that take something in, or help to."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.commands import completion
from stillwell.commands.next_steps import HERE, at
from stillwell.commands.options import (
    WAIT_S,
    ArchiveOption,
    ByOption,
    ClockOption,
    Format,
    FormatOption,
    LaterOption,
    Told,
    ToldOption,
    WaitOption,
    clock,
    in_words,
    save,
    say_next,
    tell,
    write,
)
from stillwell.commands.suggestions import gauging_hint
from stillwell.errors import PolicyError

if TYPE_CHECKING:
    from stillwell.pipeline.render import Rendered

_SHEETS = (
    "`stillwell template --output sheets.xlsx` writes a workbook to fill in; "
    "`stillwell ingest --map MAP --dry-run DEPOSIT` shows how files of another layout are understood"
)


def ingest(
    deposits: Annotated[list[Path], typer.Argument(help="Folders, zips or CSV files; or an inbox with --inbox.")],
    archive: ArchiveOption = HERE,
    by: ByOption = "unnamed",
    inbox: Annotated[bool, typer.Option("--inbox", help="Each argument is a folder of deposits.")] = False,
    again: Annotated[bool, typer.Option("--again", help="Read sealed deposits once more, with the map given.")] = False,
    map_: Annotated[Path | None, typer.Option("--map", help="Intake map (TOML) for files of another layout.")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="With --map: show the first rows as understood; write nothing.")
    ] = False,
    render_later: LaterOption = False,
    clock_is_right: ClockOption = False,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Seal, validate, compute, assess and commit deposits; print one line per gauging and the findings."""
    from stillwell.pipeline import ingest as pipeline
    from stillwell.reading.printed.documents import taken_document
    from stillwell.reading.printed.progress import watched
    from stillwell.reading.printed.summary import taken_lines, taken_words

    with in_words(archive, _SHEETS), watched() as progress:
        paths = [path for folder in deposits for path in pipeline.inbox(folder)] if inbox else deposits
        missing = [str(path) for path in [*paths, *([map_] if map_ else [])] if not path.exists()]
        if missing:
            typer.echo(f"stillwell: expected a deposit, found nothing at {', '.join(missing)}", err=True)
            say_next(
                f"`stillwell ingest PATH...{at(archive)}`, or `stillwell ingest --inbox FOLDER{at(archive)}`; {_SHEETS}"
            )
            raise typer.Exit(2)
        if dry_run:
            _dry_run(paths, map_, format_)
            return
        now = clock(clock_is_right)
        taken = pipeline.ingest(
            archive,
            paths,
            by=by,
            again=again,
            map_path=map_,
            now=now,
            wait_s=wait,
            render_now=not render_later,
            progress=progress,
        )
    if format_ is Told.json:
        tell(taken_document(taken))
    else:
        typer.echo(taken_lines(taken), nl=False)
    typer.echo(taken_words(taken), err=True, nl=False)
    if map_ is not None and taken.known:
        say_next(
            f"`{_as_typed(deposits, inbox, map_, by, archive)} --again` reads what is sealed already with this map"
        )
    if not taken.all_good:
        say_next(_returned(_as_typed(deposits, inbox, map_, by, archive)))
        raise typer.Exit(1)


def _as_typed(deposits: list[Path], inbox: bool, map_: Path | None, by: str, archive: Path) -> str:
    """Write the command that hands the same paths in again."""
    words = ["stillwell", "ingest", *(["--inbox"] if inbox else []), *(["--map", str(map_)] if map_ else [])]
    named = [] if by in ("unnamed", os.environ.get("STILLWELL_BY")) else ["--by", by]
    return shlex.join([*words, *map(str, deposits), *named]) + at(archive)


def _returned(command: str) -> str:
    return (
        f"put right what is named above, then `{command}`: what was taken stays as it is; where only a register was "
        f"missing, hand that in, then `{command} --again`; {_SHEETS}"
    )


def _dry_run(paths: list[Path], map_: Path | None, format_: Told) -> None:
    """Show what a map makes of deposits; exit 1 when something would be returned."""
    from stillwell.pipeline import ingest as pipeline
    from stillwell.reading.printed.commit_contents import taken_rows, taken_sentences
    from stillwell.reading.printed.documents import preview_document
    from stillwell.reading.printed.previews import preview_text, problem_lines

    if map_ is None:
        typer.echo("stillwell: expected --map FILE with --dry-run, found none", err=True)
        say_next(
            "`stillwell ingest --map MAP.toml --dry-run DEPOSIT`; files of our own layout need no map and no trial"
        )
        raise typer.Exit(2)
    rows, understood = pipeline.dry_run(paths, map_)
    if format_ is Told.json:
        names = {one.digest: one.name for one in pipeline.receive(paths)}
        tell(preview_document(rows, understood, names))
    else:
        typer.echo(preview_text(rows), nl=False)
    for sentence in taken_sentences(taken_rows(understood.tables, left_out=()), "would be taken"):
        typer.echo(sentence, err=True)
    typer.echo(problem_lines(understood.problems), err=True, nl=False)
    if len(understood.problems):
        raise typer.Exit(1)


def template(
    output: Annotated[Path, typer.Option("--output", help="Workbook (.xlsx) to write.")],
    units: Annotated[
        str, typer.Option("--units", help="metric or feet.", autocompletion=completion.words("units"))
    ] = "metric",
    offset: Annotated[
        str, typer.Option("--offset", help="Offset from UTC of date cells, as in +02:00, filled in beforehand.")
    ] = "",
) -> None:
    """Write a blank workbook to fill in, with notes on every column and a filled example."""
    from stillwell.intake.template import CannotMake, template_workbook

    try:
        made = template_workbook(units, offset=offset)
    except CannotMake as error:
        typer.echo(f"stillwell: {error}", err=True)
        say_next("`stillwell template --output sheets.xlsx --units metric`, or feet")
        raise typer.Exit(2) from error
    save(output, made)


def assess(
    policy: Annotated[Path, typer.Option("--policy", help="Policy file (TOML) to try; it may say only what differs.")],
    archive: ArchiveOption = HERE,
    format_: FormatOption = Format.table,
) -> None:
    """Show what another office policy would change, before it is adopted; writes nothing."""
    from stillwell.archive.archive import Archive
    from stillwell.pipeline import ingest as pipeline
    from stillwell.reading.printed.previews import changes_table, changes_words

    with in_words(archive):
        if not policy.is_file():
            typer.echo(f"stillwell: expected a policy file, found nothing at {policy}", err=True)
            say_next(
                f'`stillwell query "SELECT * FROM policies"{at(archive)}` shows those handed in; '
                "a new one need only say what differs"
            )
            raise typer.Exit(2)
        changes = pipeline.assess_again(Archive(archive, complete=True), _policy_text(policy))
        write(changes_table(changes), format_, None)
    typer.echo(changes_words(changes), err=True)


def _policy_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        msg = f"{path.name}: expected UTF-8 text, found other bytes; the policy is not used"
        raise PolicyError(msg) from error


def review(
    gaugings: Annotated[
        list[str],
        typer.Argument(
            metavar="ID...", help="Archive ids of the gaugings decided on.", autocompletion=completion.gaugings
        ),
    ],
    by: Annotated[str, typer.Option("--by", envvar="STILLWELL_BY", help="Code of the person who decides.")],
    reason: Annotated[str, typer.Option("--reason", help="Why; kept with the decision.")],
    decision: Annotated[
        str,
        typer.Option(
            "--decision",
            help="approved; provisional (also restores a withdrawn gauging); withdrawn; included in or excluded from "
            "fits of ratings.",
            autocompletion=completion.words("decision"),
        ),
    ] = "approved",
    archive: ArchiveOption = HERE,
    clock_is_right: ClockOption = False,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Decide on gaugings: provisional to approved, a candidate to the record, or withdrawn; sealed with who and why."""
    from stillwell.pipeline import ingest as pipeline
    from stillwell.reading.printed.documents import taken_document
    from stillwell.reading.printed.summary import taken_words

    with in_words(archive):
        rows = [{"subject": subject, "decision": decision, "reason": reason} for subject in gaugings]
        taken = pipeline.decide(archive, "reviews", rows, by=by, now=clock(clock_is_right), wait_s=wait)
    typer.echo(taken_words(taken), err=True, nl=False)
    if format_ is Told.json:
        decided = [{"gauging_id": subject, "decision": decision} for subject in gaugings] if taken.all_good else []
        document = taken_document(taken)
        about = {name: document[name] for name in ("commit", "returned", "rendered")}
        tell(about | {"decided": decided})
    if not taken.all_good:
        unknown = _unknown(archive, gaugings)
        for subject in unknown:
            say_next(gauging_hint(archive, subject).replace("{at}", at(archive)))
        if not unknown:
            say_next(f"`stillwell review ID... --decision approved --by CODE --reason WHY{at(archive)}`")
        raise typer.Exit(1)
    for subject in gaugings if format_ is Told.text else ():
        typer.echo(f"{decision:<11} {subject}")


def _unknown(archive: Path, gaugings: list[str]) -> list[str]:
    """Name those of some ids that no gauging has."""
    from stillwell.archive.archive import Archive

    known = set(Archive(archive).read("gaugings", columns=["gauging_id"])["gauging_id"])
    return [subject for subject in gaugings if subject not in known]


def recompute(
    archive: ArchiveOption = HERE,
    by: ByOption = "unnamed",
    clock_is_right: ClockOption = False,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Compute every gauging again by this version; what changes becomes its next revision, approved ones wait."""
    from stillwell.pipeline import derive
    from stillwell.reading.printed.json_values import rows_of
    from stillwell.reading.printed.rendering import rendered_after, rendered_line

    rendered: list[Rendered] = []
    with in_words(archive):
        now = clock(clock_is_right)
        entry, rows = derive.recompute(archive, by=by, now=now, wait_s=wait, after=rendered.append)
    if format_ is Told.json:
        made = rows_of(rows["gaugings"][["gauging_id", "revision", "candidate"]]) if entry else []
        number = entry.number if entry else None
        tell({"commit": number, "gaugings": made, "rendered": rendered_after(rendered)})
        return
    if entry is None:
        typer.echo("nothing changed: every gauging is what this version computes")
        return
    for row in rows["gaugings"].to_dict("records"):
        waits = "  candidate: an approved revision stands" if row["candidate"] else ""
        typer.echo(f"revision {row['revision']} {row['gauging_id']}{waits}")
    typer.echo(f"commit {entry.number}", err=True)
    typer.echo(rendered_line(rendered), err=True, nl=False)
