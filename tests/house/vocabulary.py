"""Words that the vocabulary of DEVELOPERS.md has retired: none comes back as a name or in a text that somebody reads.

``python -m tests.house.vocabulary`` names each place and ends with 1 where there is one; ``make check`` runs it.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
NAMES = frozenset({"said", "found", "told", "doubt", "doubts", "doubted", "grave", "trouble", "troubles", "remark"})
"""Names of functions, arguments and locals that do not say what a thing is."""
WORDS = re.compile(
    r"(?<![\w-])(?:doubt(?:s|ed|ful|fully)?|troubles?|grave(?:st|r|ly)?|remark(?:ed|ing)?)\b", re.IGNORECASE
)
"""What is wrong is a problem, a finding or a fault; ``remarks`` is a column."""
STORED = {
    "docs/data_dictionary.md": "what schemas say of a column",
    "docs/findings.md": "sentences of findings",
    "docs/json.md": "a key of a document",
    "schemas/findings.py": "what it says of a column is written into every table file",
    "schemas/registers.py": "what it says of a column is written into every table file",
    "schemas/series.py": "what it says of a column is written into every table file",
    "src/stillwell/archive/provenance/mapping.py": "a title in provenance documents",
    "src/stillwell/archive/readme.py": "the README of an archive",
    "src/stillwell/publishing/readme.py": "the README of a bag",
    "src/stillwell/assessment/check_table.py": "sentences of findings",
    "src/stillwell/assessment/stage_findings.py": "sentences of findings, and their codes",
    "src/stillwell/reading/printed/documents.py": "a key of a document",
    "DEVELOPERS.md": "the vocabulary itself",
}
"""Files that hold a retired word in what is stored or promised, with what it is; it changes with the next format."""
PAGES = ("README.md", "DEVELOPERS.md", "docs/*.md")
CODE = ("src/stillwell/**/*.py", "schemas/*.py", "flows/*.py")
TEMPLATES = ("src/stillwell/**/*.html",)


def names(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Every name a module gives: functions, classes, arguments, locals."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.lineno, node.name
        elif isinstance(node, ast.arg):
            yield node.lineno, node.arg
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.lineno, node.id


def retired(path: Path) -> list[tuple[int, str]]:
    """Line and word of every retired name or word in a file."""
    text = path.read_text(encoding="utf-8")
    words = [(i, m[0]) for i, line in enumerate(text.splitlines(), 1) for m in WORDS.finditer(line)]
    if path.suffix == ".py":
        words += [(line, name) for line, name in names(ast.parse(text)) if name.strip("_") in NAMES]
    return sorted(words)


def main() -> int:
    """Write each place; 1 where there is one."""
    files = [path for pattern in (*CODE, *TEMPLATES, *PAGES) for path in sorted(ROOT.glob(pattern))]
    files = [path for path in files if path.relative_to(ROOT).as_posix() not in STORED]
    places = [f"{path.relative_to(ROOT)}:{line}: {word}" for path in files for line, word in retired(path)]
    sys.stdout.write("".join(f"{place}\n" for place in [*places, f"{len(places)} retired words in {len(files)} files"]))
    return bool(places)


if __name__ == "__main__":
    sys.exit(main())
