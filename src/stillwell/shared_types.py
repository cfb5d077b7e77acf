"""Frozen values that travel between the rooms."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

PROBLEM_COLUMNS = ("deposit", "gauging", "file", "line", "column", "expected", "found", "consequence")
"""Columns of a frame of reasons why something is returned; gauging is a label, missing for a row on its own."""

NOTE_COLUMNS = ("deposit", "file", "note")
"""Columns of a frame of remarks that stop nothing."""


RULES = 5
"""By which rules this version makes rows; raised where the same deposits would come to other rows. The ledger names the
rules of each commit, so that a later version proves and rebuilds it by its own.

1: archives that name none. 2: ``provisional`` restores a withdrawn gauging, and ``approved`` of one is returned; stage
values that contradict each other in one deposit share a revision and none of them stands; a value corrected by a later
deposit has no finding any more; an uncertainty without its level is taken; the code of a site, an instrument or a
rating that differs from a known one only by case or Unicode form is returned. 3: so is every other code that names
something (``stillwell.schemas.naming``): of parties, persons, gauges, sensors and thermometers, and of a site that
another one continues; beside a file that cannot be read and does not say whose rows it held, a gauging is taken only if
its points
run from edge to edge. 4: a policy that sets a limit of an earlier version is returned. 5: stage of a later deposit that
fills a hole is no time that goes back, and stage that goes back behind earlier deposits is another logger's; a deposit
handed in again corrects like any other.
"""


@dataclass(frozen=True)
class DepositFile:
    """One file of a deposit: its path inside the deposit, with ``/``, and its bytes."""

    path: str
    data: bytes


@dataclass(frozen=True)
class Deposit:
    """What somebody handed in, byte for byte.

    ``kind`` is folder, zip, workbook or csv; a zip, a workbook and a csv hold one file.
    """

    name: str
    kind: str
    digest: str
    files: tuple[DepositFile, ...]

    @property
    def size(self) -> int:
        """Bytes in all files together."""
        return sum(len(f.data) for f in self.files)


@dataclass(frozen=True)
class Understood:
    """Deposits as canonical frames, and what could not be understood.

    ``tables`` holds one frame for every name in ``stillwell.schemas.DEPOSIT_TABLES``, empty or not, with the columns,
    order and types of its model. Rows named by ``problems`` are no longer in them.
    """

    tables: dict[str, pd.DataFrame]
    problems: pd.DataFrame
    notes: pd.DataFrame


@dataclass(frozen=True)
class ListedFile:
    """One file as a ledger entry lists it; ``table`` and ``sites`` are empty for what is not a table file.

    ``sites`` names the sites whose rows the file holds, in order; empty where the table knows no sites. ``years`` names
    the years (UTC) of the values of a series table, in order; empty for other tables and in entries before format 2.0.
    """

    path: str
    size: int
    sha256: str
    table: str = ""
    sites: tuple[str, ...] = ()
    rows: int = 0
    years: tuple[int, ...] = ()

    @property
    def site(self) -> str:
        """The site of a file of one site; empty where the table knows no sites, or the file holds several."""
        return self.sites[0] if len(self.sites) == 1 else ""


@dataclass(frozen=True)
class Fault:
    """One thing an audit found wrong: where, and in a sentence what was expected and found."""

    kind: str
    path: str
    sentence: str
    details: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class AuditReport:
    """What an audit looked at and what it found wrong; ``remarks`` are worth knowing and no fault."""

    archive: str
    audited_at: datetime
    counts: dict[str, int]
    faults: tuple[Fault, ...]
    remarks: tuple[str, ...] = ()
    rounded: int = 0
    """Numbers computed again that are the same as stored only to rounding, as on another processor."""
