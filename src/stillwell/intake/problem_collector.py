"""Collector of the problems and notes of a batch while it is read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from stillwell.intake.limits import MOST_REASONS
from stillwell.shared_types import NOTE_COLUMNS, PROBLEM_COLUMNS

RETURNED = "the gauging is returned; nothing of it was taken"
ROW_LEFT_OUT = "this row is left out; the rest of the file was taken"
FILE_LEFT_OUT = "nothing in this file was taken; its bytes are sealed"
ALL_LEFT_OUT = "nothing of this deposit was taken; its bytes are sealed"
ALL_RETURNED = "no gauging of this deposit that needs this file was taken; its bytes are sealed"
LONGEST_PLACE = 1000
"""Characters of the name of a file, or of what is expected, that a reason repeats."""
LONGEST_NOTE = 2000


class CannotRead(Exception):
    """A file or sheet cannot be read as a table; carries what was expected and found, and on which line."""

    def __init__(self, expected: str, actual: str, line: int | None = None, column: str | None = None) -> None:
        super().__init__(f"expected {expected}, found {actual}")
        self.expected, self.found, self.line, self.column = expected, actual, line, column


@dataclass
class ProblemCollector:
    """Problems and notes of a batch so far."""

    problems: list[dict[str, Any]] = field(default_factory=list)
    notes: list[dict[str, Any]] = field(default_factory=list)
    broken: set[tuple[str, str, str, bool]] = field(default_factory=set)
    """Deposit, table and file of which rows could not be attributed, and whether its other rows could be read."""

    crowded: set[str] = field(default_factory=set)
    """Deposits with more problems than the limit; nothing of them is taken."""
    _count: Counter[str] = field(default_factory=Counter)

    def file(self, deposit: str, table: str, path: str, reason: CannotRead) -> None:
        """Add the problem of a file that cannot be read."""
        self.broken.add((deposit, table, path, False))
        self.add(deposit, None, path, reason.line, reason.column, reason.expected, reason.found, FILE_LEFT_OUT)

    def broken_file(self, deposit: str, table: str) -> str:
        """Name the first file of a deposit of which rows of a table could not be read; empty where there is none."""
        return min((file for digest, name, file, _ in self.broken if (digest, name) == (deposit, table)), default="")

    def add(
        self,
        deposit: str,
        gauging: str | None,
        file: str,
        line: int | None,
        column: str | None,
        expected: str,
        actual: str,
        consequence: str,
    ) -> None:
        """Add one problem; beyond ``MOST_REASONS`` of a deposit only the deposit is marked as crowded."""
        self._count[deposit] += 1
        if self._count[deposit] > MOST_REASONS:
            self.crowded.add(deposit)
            return
        where = (shown(file, LONGEST_PLACE), line, None if column is None else shown(column))
        values = (deposit, gauging, *where, shown(expected, LONGEST_PLACE), shown(actual), consequence)
        self.problems.append(dict(zip(PROBLEM_COLUMNS, values, strict=True)))

    def note(self, deposit: str, file: str, note: str) -> None:
        """Add a note, which stops nothing."""
        values = (deposit, shown(file, LONGEST_PLACE), shown(note, LONGEST_NOTE))
        self.notes.append(dict(zip(NOTE_COLUMNS, values, strict=True)))

    def close(self) -> None:
        """Return every deposit that has more problems than the limit, as a whole."""
        for deposit in sorted(self.crowded):
            values = (deposit, None, "", None, None, f"at most {MOST_REASONS} reasons", "more", ALL_LEFT_OUT)
            self.problems.append(dict(zip(PROBLEM_COLUMNS, values, strict=True)))

    def frames(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return problems and notes, each once and in a fixed order."""
        problems = problem_frame(self.problems).drop_duplicates(ignore_index=True)
        notes = pd.DataFrame(self.notes, columns=list(NOTE_COLUMNS)).drop_duplicates(ignore_index=True)
        return problems, notes


def problem_frame(problems: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Lay out problems as a frame with the columns of ``PROBLEM_COLUMNS``."""
    frame = pd.DataFrame(problems, columns=list(PROBLEM_COLUMNS))
    return frame.assign(line=pd.array(frame["line"].tolist(), dtype="Int64"))


def problem_of(
    row: Mapping[str, Any], gauging: str | None, column: str, expected: str, actual: Any, consequence: str
) -> dict[str, Any]:
    """Return the problem of a row that says where it was handed in."""
    values = (row["deposit"], gauging, row["row_file"], row["row_line"], column, expected, actual, consequence)
    return dict(zip(PROBLEM_COLUMNS, values, strict=True))


def shown(text: str, most: int = 120) -> str:
    """Cut a text to what fits a line, without characters that a terminal would act on or that change direction."""
    head = str(text)[:most]
    plain = "".join(c if c.isprintable() else "?" for c in head)
    return plain if len(text) <= most else plain[: most - 1] + "…"
