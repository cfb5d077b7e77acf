"""Pages whose lines run: the fenced blocks in order, what is shown under each. Imports nothing of the project."""

from __future__ import annotations

import re
import shlex
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

_FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)

_INTO = re.compile(r"(.*?)(?: > ([\w./-]+))?\s*")


@dataclass(frozen=True)
class Block:
    """One fenced block; ``shown`` is the text block right under it, empty where there is none."""

    language: str
    code: str
    shown: str

    @property
    def lines(self) -> list[str]:
        """Commands of a shell block: continued lines joined, comments and empty lines left out."""
        joined = self.code.replace("\\\n", " ").splitlines()
        return [line.strip() for line in joined if line.strip() and not line.strip().startswith("#")]


def blocks(page: Path) -> list[Block]:
    """Read the blocks of a page."""
    text = page.read_text(encoding="utf-8")
    found = list(_FENCE.finditer(text))
    out = []
    for i, one in enumerate(found):
        under = found[i + 1] if i + 1 < len(found) else None
        near = under is not None and under[1] == "text" and not text[one.end() : under.start()].strip()
        out.append(Block(one[1], one[2], under[2] if under is not None and near else ""))
    return out


def missing(shown: str, given: str) -> list[str]:
    """Name the shown lines that were not given in that order; ``...`` stands for lines, or for the rest of one."""
    lines = iter([line.rstrip() for line in given.splitlines()])
    wanted = [line.rstrip() for line in shown.splitlines() if line.strip() not in ("", "...")]
    return [want for want in wanted if not any(_alike(want, line) for line in lines)]


def _alike(want: str, line: str) -> bool:
    return re.fullmatch(".*".join(map(re.escape, want.split("..."))), line) is not None


@dataclass
class Shell:
    """A shell in a folder; ``program`` runs lines of the project's own command in process, all others go to bash.

    ``# exit N`` at the end of a line says with which code it ends; without it 0 is expected.
    """

    folder: Path
    environment: dict[str, str]
    program: Callable[[list[str], dict[str, str]], tuple[int, str, str]] | None = None

    def run(self, line: str) -> str:
        """Run a line; return what it said."""
        command, _, comment = line.partition("  #")
        expected = re.search(r"exit (\d+)", comment)
        if command.startswith("export "):
            name, _, value = command.removeprefix("export ").partition("=")
            self.environment[name] = value.strip()
            return ""
        found = _INTO.fullmatch(command)
        words, target = (found[1], found[2]) if found else (command, None)
        if self.program is not None and words.startswith("stillwell") and "|" not in words:
            code, out, err = self.program(shlex.split(words)[1:], self.environment)
        else:
            done = subprocess.run(
                ["bash", "-c", words],
                cwd=self.folder,
                env=self.environment,
                capture_output=True,
                text=True,
                check=False,
            )
            code, out, err = done.returncode, done.stdout, done.stderr
        assert code == int(expected[1] if expected else 0), (line, code, out, err)
        if target:
            (self.folder / target).write_text(out, encoding="utf-8")
            out = ""
        return out + err
