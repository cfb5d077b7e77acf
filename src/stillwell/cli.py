"""The commands. Data goes to stdout, words to stderr; exit 0 done, 1 something returned or wrong, 2 wrong call."""

from __future__ import annotations

from typing import Annotated

import typer

from stillwell import __version__
from stillwell.commands import asking, keeping, recording, taking

app = typer.Typer(
    name="stillwell",
    help="Field gaugings in, a defended hydrometric archive out.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def start(version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False) -> None:
    """Take in field gaugings, compute and judge them, keep them for decades, prove it every night."""
    if version:
        typer.echo(f"stillwell {__version__}")
        raise typer.Exit


app.command("ingest")(taking.ingest)
app.command("template")(taking.template)
app.command("assess")(taking.assess)
app.command("recompute")(taking.recompute)
app.command("review")(taking.review)
app.command("list")(asking.list_)
app.command("show")(asking.show)
app.command("query")(asking.query)
app.command("trace")(asking.trace)
app.command("report")(asking.report)
app.command("serve")(asking.serve)
app.command("rate")(recording.rate)
app.command("derive")(recording.derive)
app.command("record")(recording.record)
app.command("next")(recording.next_)
app.command("audit")(keeping.audit)
app.command("rebuild")(keeping.rebuild)
app.command("replicate")(keeping.replicate)
app.command("compact")(keeping.compact)
app.command("withhold")(keeping.withhold)
app.command("publish")(keeping.publish)


def main() -> None:
    """Run the commands."""
    app()


if __name__ == "__main__":
    main()
