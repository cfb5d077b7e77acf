"""The commands. Data goes to stdout, words to stderr; exit 0 done, 1 something returned or wrong, 2 wrong call."""

from __future__ import annotations

import gc
import inspect
import os
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from stillwell import __version__
from stillwell.commands.conversion import converted_plainly
from stillwell.commands.next_steps import default_archive, is_archive, welcome
from stillwell.commands.options import in_words

COMMANDS = {
    "ingest": "intake.ingest",
    "template": "intake.template",
    "assess": "intake.assess",
    "recompute": "intake.recompute",
    "review": "intake.review",
    "list": "query.list_",
    "show": "query.show",
    "query": "query.query",
    "trace": "query.trace",
    "report": "query.report",
    "serve": "query.serve",
    "rate": "records.rate",
    "derive": "records.derive",
    "render": "rendering.render",
    "record": "records.record",
    "next": "records.next_",
    "audit": "maintenance.audit",
    "witness": "maintenance.witness",
    "rebuild": "maintenance.rebuild",
    "replicate": "maintenance.replicate",
    "compact": "maintenance.compact",
    "withhold": "maintenance.withhold",
    "publish": "maintenance.publish",
}
"""Module and function of each command, in the order of the help; imported when it is called."""


def function_of(name: str) -> Callable[..., object]:
    """Import the function of a command."""
    module, _, function = COMMANDS[name].partition(".")
    made: Callable[..., object] = getattr(import_module(f"stillwell.commands.{module}"), function)
    return made


class Command(TyperCommand):
    """A command whose values are converted plainly where that suffices."""

    def get_params(self, ctx: typer.Context) -> Any:  # type: ignore[override]
        """Return the parameters, ``--help`` among them."""
        return converted_plainly(super().get_params(ctx))


class NamedCommand(TyperCommand):
    """A command by its name: its sentence is read for a list of commands, its options when it is called."""

    def __init__(self, name: str) -> None:
        super().__init__(name, rich_markup_mode=None)
        self.named = name

    def get_short_help_str(self, limit: int = 45) -> str:
        """Return the first sentence of the docstring."""
        self.help = inspect.getdoc(function_of(self.named))
        return super().get_short_help_str(limit)

    def make_context(self, *args: Any, **settings: Any) -> Any:
        """Make the command whole and hand over to it."""
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        alone.command(self.named, cls=Command)(function_of(self.named))
        return typer.main.get_command(alone).make_context(*args, **settings)


class Commands(TyperGroup):
    """The commands; a path in the place of one is answered too."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self.commands = {name: NamedCommand(name) for name in COMMANDS}

    def get_params(self, ctx: typer.Context) -> Any:  # type: ignore[override]
        """Return the parameters, ``--help`` and those of completion among them."""
        return converted_plainly(super().get_params(ctx))

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


def main() -> None:
    """Run the commands."""
    # matrices are small here, and a thread for each core, made when numpy is imported, costs more than it saves
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # libraries make objects by the hundred thousand, which live to the end and are then not searched for garbage
    gc.set_threshold(20_000, 10, 10)
    try:
        app(prog_name="stillwell")
    finally:
        gc.freeze()


if __name__ == "__main__":
    main()
