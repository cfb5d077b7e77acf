"""The commands. Data goes to stdout, words to stderr; exit 0 done, 1 something returned or wrong, 2 wrong call."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from typer.core import TyperGroup

from stillwell import __version__
from stillwell.commands import intake, maintenance, records, rendering
from stillwell.commands import query as asking
from stillwell.commands.next_steps import default_archive, is_archive, welcome
from stillwell.commands.options import in_words


class Commands(TyperGroup):
    """The commands; a path in the place of one is answered too."""

    def parse_args(self, ctx: typer.Context, args: list[str]) -> list[str]:  # type: ignore[override]
        """Read `stillwell PATH` as `stillwell --archive PATH`."""
        if len(args) == 1 and args[0] not in self.commands and _is_there(args[0]):
            if not is_archive(Path(args[0])):
                ctx.fail(f"expected a command, found the path {args[0]}; `stillwell ingest {args[0]}` takes it in")
            args = ["--archive", *args]
        return super().parse_args(ctx, args)

    def invoke(self, ctx: typer.Context) -> object:  # type: ignore[override]
        """Run a command; what it does outside its own guard, such as writing out its answer, fails in words too."""
        with in_words(ctx.params.get("archive") or default_archive()):
            return super().invoke(ctx)


def _is_there(text: str) -> bool:
    try:
        return not text.startswith("-") and Path(text).exists()
    except OSError:
        return False


app = typer.Typer(
    name="stillwell",
    cls=Commands,
    help="Field gaugings in, a defended hydrometric archive out.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def start(
    context: typer.Context,
    archive: Annotated[
        Path | None, typer.Option("--archive", help="The archive's folder; alone, says what it holds.")
    ] = None,
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    """Take in field gaugings, compute and judge them, keep them for decades, prove it every night."""
    if version:
        typer.echo(f"stillwell {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        with in_words(archive):
            typer.echo(welcome(archive), nl=False)


app.command("ingest")(intake.ingest)
app.command("template")(intake.template)
app.command("assess")(intake.assess)
app.command("recompute")(intake.recompute)
app.command("review")(intake.review)
app.command("list")(asking.list_)
app.command("show")(asking.show)
app.command("query")(asking.query)
app.command("trace")(asking.trace)
app.command("report")(asking.report)
app.command("serve")(asking.serve)
app.command("rate")(records.rate)
app.command("derive")(records.derive)
app.command("render")(rendering.render)
app.command("record")(records.record)
app.command("next")(records.next_)
app.command("audit")(maintenance.audit)
app.command("witness")(maintenance.witness)
app.command("rebuild")(maintenance.rebuild)
app.command("replicate")(maintenance.replicate)
app.command("compact")(maintenance.compact)
app.command("withhold")(maintenance.withhold)
app.command("publish")(maintenance.publish)


def main() -> None:
    """Run the commands."""
    app(prog_name="stillwell")


if __name__ == "__main__":
    main()
