"""What is converted without typer's library is what typer makes of it, and what is not is left to typer."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pytest
import typer
from typer.core import TyperCommand

from stillwell.cli import Command
from stillwell.commands.conversion import UNDECIDED, plain_value


class Colour(StrEnum):
    """A closed list."""

    red = "red"
    blue = "dark blue"


def taken(cls, words, environment, monkeypatch):
    """Call a command of every kind of parameter; what it was called with, or how it ended."""
    got = []

    def called(
        paths: Annotated[list[Path], typer.Argument()],
        text: Annotated[str | None, typer.Option("--text", envvar="T")] = None,
        file: Annotated[Path, typer.Option("--file", envvar="F")] = Path("archive"),
        there: Annotated[Path | None, typer.Option("--there", exists=True)] = None,
        names: Annotated[list[str] | None, typer.Option("--name")] = None,
        colour: Annotated[Colour, typer.Option("--colour")] = Colour.red,
        flag: Annotated[bool, typer.Option("--flag", envvar="Y")] = False,
        seconds: Annotated[float, typer.Option("--seconds", min=0.5)] = 60.0,
        count: Annotated[int | None, typer.Option("--count", min=1)] = None,
    ) -> None:
        got.append((paths, text, file, there, names, colour, flag, seconds, count))

    for name in "TFY":
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    app = typer.Typer(add_completion=False, rich_markup_mode=None)
    app.command(cls=cls)(called)
    try:
        app(words, standalone_mode=False)
    except Exception as error:  # of typer's own kind, with the words a person reads
        return type(error).__name__, getattr(error, "message", "")
    assert len(got) == 1
    return got[0], [type(value) for value in got[0]]


CALLS = [
    (["a"], {}),
    (["a", "b/../c", ""], {}),
    (["."], {"T": "", "F": "x y", "Y": "1"}),
    (["."], {"Y": "0"}),
    (["."], {"Y": " yes "}),
    (["."], {"Y": "perhaps"}),
    (["a", "--text", "SELECT 1\nFROM x", "--name", "p", "--name", "q"], {}),
    (["a", "--text", "\u00e4 \U0001f30a"], {}),
    (["a", "--text", "\udcff"], {}),
    (["a", "--file", "\udcff"], {}),
    (["a\0b"], {}),
    (["loop"], {}),
    (["a", "--colour", "dark blue"], {}),
    (["a", "--colour", "blue"], {}),
    (["a", "--seconds", "2"], {}),
    (["a", "--seconds", "0.1"], {}),
    (["a", "--seconds", "x", "--flag"], {}),
    (["a", "--count", "7"], {}),
    (["a", "--count", "0"], {}),
    (["a", "--there", "/"], {}),
    (["a", "--there", "/no such place"], {}),
    ([], {}),
]


@pytest.mark.parametrize(("words", "environment"), CALLS)
def test_values_are_those_of_typer(words, environment, monkeypatch, tmp_path):
    """The same values of the same types, or the same refusal in the same words."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "loop").symlink_to("loop")
    mine = taken(Command, words, environment, monkeypatch)
    assert mine == taken(TyperCommand, words, environment, monkeypatch)


def test_a_path_that_may_not_be_read_is_left_to_typer(monkeypatch, tmp_path):
    """Typer refuses it in its own words."""
    path = tmp_path / "file"
    path.touch()
    app = typer.Typer(add_completion=False, rich_markup_mode=None)
    app.command()(_of_path)
    parameter = typer.main.get_command(app).params[0]
    assert plain_value(str(path), parameter, Path) == path
    monkeypatch.setattr("os.access", lambda *_: False)
    assert plain_value(str(path), parameter, Path) is UNDECIDED


def _of_path(path: Path) -> None:
    sys.exit(str(path))
