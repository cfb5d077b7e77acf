"""A table of text as every reader returns it: CSV, a sheet of a workbook, or a file that a map describes."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from stillwell.intake.problem_collector import CannotRead


class BadCell(NamedTuple):
    """A cell that cannot be what its column holds: its row, the column as handed in, what was expected and found."""

    row: int
    column: str
    expected: str
    actual: str


@dataclass(frozen=True)
class Sheet:
    """A table of text: one array per column, the line each row began on, and where it stood."""

    header: tuple[str, ...]
    cells: tuple[pa.Array, ...]
    """Text; of a sheet that a map made also times in UTC and numbers in SI."""
    lines: NDArray[np.int64]
    delimiter: str = ","
    notes: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()
    """Where a map made the sheet, what its columns are called in the file."""
    bad: tuple[BadCell, ...] = ()
    """Cells that the map could not read."""
    table: str = ""
    """Of ``DEPOSIT_TABLES``; filled by ``unpack.sheets``, like ``deposit`` and ``file``."""
    deposit: str = ""
    """Its digest."""
    file: str = ""
    """Path of the file in the deposit, with the sheet's name where it is a workbook."""

    def column(self, name: str) -> pa.StringArray:
        """Return the column of a name.

        Raises
        ------
        CannotRead
            If there is none of that name, or more than one.
        """
        count = self.header.count(name) if name else 0
        if count > 1:
            raise CannotRead(f"the column {name!r} once", "more than one", None, name)
        if not count:
            raise CannotRead(f"the column {name!r}, as the map says", ", ".join(map(repr, self.once)), None, name)
        return self.cells[self.header.index(name)]

    @property
    def once(self) -> list[str]:
        """Names that stand in the header once, in order."""
        return [name for name, count in Counter(self.header).items() if name and count == 1]

    @property
    def repeated(self) -> list[str]:
        """Names that stand in the header more than once, sorted."""
        return sorted(name for name, count in Counter(self.header).items() if name and count > 1)
