"""The walk through the Python API in the pages runs, and prints what it shows."""

from __future__ import annotations

import ast
import contextlib
import io
import re
from pathlib import Path

import pandas as pd

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "python_api.md"
_FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(text: str) -> list[tuple[str, str]]:
    """Pair each block of code with the block of text right under it, empty where nothing is shown."""
    found = [(m[1], m[2], m.start(), m.end()) for m in _FENCE.finditer(text)]
    out = []
    for i, (language, code, _, end) in enumerate(found):
        if language == "python":
            under = found[i + 1] if i + 1 < len(found) else ("", "", len(text), 0)
            shown = under[1] if under[0] == "text" and not text[end : under[2]].strip() else ""
            out.append((code, shown))
    return out


def run(code: str, names: dict[str, object]) -> str:
    """Run a block as a notebook would: what it prints, then its last expression unless that is nothing."""
    tree = ast.parse(code)
    last = ast.Expression(tree.body.pop().value) if isinstance(tree.body[-1], ast.Expr) else None
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(tree, str(PAGE), "exec"), names)
        value = None if last is None else eval(compile(last, str(PAGE), "eval"), names)
        if value is not None:
            said.write(f"{value!r}\n")
    return said.getvalue()


def test_the_walk_runs_and_shows_what_it_gives(monkeypatch):
    """Every block of the page runs, in order, and gives the text shown under it, line for line."""
    monkeypatch.chdir(ROOT)
    pairs, names = blocks(PAGE.read_text(encoding="utf-8")), {}
    with pd.option_context("display.width", 120, "display.max_columns", 20):
        for code, shown in pairs:
            given = run(code, names)
            if shown:
                assert [line.rstrip() for line in shown.splitlines()] == [x.rstrip() for x in given.splitlines()], code
    assert sum(bool(shown) for _, shown in pairs) >= 10


def test_every_table_has_its_place_in_the_page():
    """The page names every table of an archive."""
    import stillwell

    text = PAGE.read_text(encoding="utf-8")
    tables = stillwell.open(ROOT / "sample_archive" / "archive").tables()
    assert [name for name in tables if f"`{name}`" not in text] == []
