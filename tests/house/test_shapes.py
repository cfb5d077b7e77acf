"""The table of shapes in DEVELOPERS.md names what stands in the code."""

from __future__ import annotations

import importlib
import re
from functools import reduce
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
HEADING = "## The shapes of a gauging"
NAME = re.compile(r"`([a-z_0-9]+(?:\.[A-Za-z_0-9]+)+)`")


def _rows(text: str) -> list[list[str]]:
    """Read the cells of the table under the heading, without its header."""
    section = text.partition(f"{HEADING}\n")[2].partition("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def _named(name: str) -> Any:
    """Return what a dotted name of the package leads to: the longest part that is a module, then its attributes."""
    parts = name.split(".")
    for cut in range(len(parts), 0, -1):
        try:
            module = importlib.import_module(".".join(["stillwell", *parts[:cut]]))
        except ModuleNotFoundError:
            continue
        return reduce(getattr, parts[cut:], module)
    raise ModuleNotFoundError(name)


ROWS = _rows((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))


@pytest.mark.parametrize("row", ROWS, ids=[row[0].strip("`") for row in ROWS])
def test_every_name_in_the_table_of_shapes_stands_there(row):
    """A shape is a class of its module, and what makes and ends it exists by that name."""
    shape, *others = row
    assert len(others) == 3
    assert all(others)
    first = NAME.fullmatch(shape)
    assert first, shape
    shape_class = _named(first[1])
    assert isinstance(shape_class, type)
    assert f"stillwell.{first[1]}" == f"{shape_class.__module__}.{shape_class.__name__}"
    names = [name for cell in others for name in NAME.findall(cell)]
    assert names, shape
    assert [name for name in names if not _named(name)] == []


def test_the_table_of_shapes_lists_each_once():
    """From the deposit to the page, each shape in one row."""
    shapes = [row[0] for row in ROWS]
    assert len(shapes) > 15
    assert len(set(shapes)) == len(shapes)
    assert shapes[0] == "`shared_types.Deposit`"
