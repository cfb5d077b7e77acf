"""Parts of an audit, done by the caller and by processes that help; what is found does not depend on who does which."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.care.fixity import listed_faults
from stillwell.archive.netcdf.compare import netcdf_faults
from stillwell.archive.netcdf.outputs import Output
from stillwell.archive.revisions.snapshot import EveryRow, HeldArchive, History
from stillwell.archive.revisions.stored_history import StoredHistory
from stillwell.archive.tables.many_files import kept_rows, rows_kept
from stillwell.archive.workers import Crew, spawned
from stillwell.errors import ArchiveDamaged
from stillwell.pipeline.committing import office_of
from stillwell.pipeline.compare import Recorded
from stillwell.pipeline.prove import Proved, Prover
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.cells import follows
from stillwell.shared_types import Fault

RECORDED = "recorded.json"


@dataclass(frozen=True)
class Read:
    """What reading rows of a table came to."""

    recorded: Counter[tuple[str, pd.Timestamp]]
    """Rows by table and moment of their commit."""
    broken: tuple[Fault, ...] = ()
    unlike: tuple[Fault, ...] = ()
    """What is not as its schema says."""


class Looker:
    """Does parts of an audit; there is one in each process.

    Parameters
    ----------
    archive : Archive
        Complete.
    few : bool
        Whether all rows are held while the archive is proved.
    place : Path, optional
        Folder in which processes leave what others need; without it there are no others.
    """

    def __init__(self, archive: Archive, *, few: bool, place: Path | None = None) -> None:
        self._plain, self._few, self._place = archive, few, place
        self._frames: dict[str, pd.DataFrame] = {}
        self._listing = archive.listing()
        self._recorded: Recorded = {}

    def files(self, paths: Sequence[str]) -> list[Fault]:
        """Hold listed files against their sizes and digests."""
        return [fault for path in paths for fault in listed_faults(self._plain, self._listing[path])]

    def sealed(self, digests: Sequence[str]) -> list[Fault]:
        """Check every byte of sealed deposits."""
        return [fault for digest in digests for fault in self._plain.sealed.faults(digest)]

    def read(self, table: str, sites: Sequence[str] | None, sound: bool) -> Read:
        """Read rows of a table, hold them against their schema, and keep them where all are held.

        Where not every file is ``sound``, page checksums tell which rows can be read.
        """
        archive = self._plain
        try:
            rows = archive.read_proved(table) if self._few and sound else archive.read(table, sites)
        except ArchiveDamaged as error:
            return Read(Counter(), (Fault("table", f"tables/{table}", str(error)),))
        moments = rows["recorded_at"].value_counts()
        recorded = Counter({(table, moment): int(n) for moment, n in zip(moments.index, moments, strict=True)})
        if self._few and self._place is None:
            self._frames[table] = rows
        elif self._few and self._place is not None:
            kept_rows(rows, self._place / f"{table}.arrow")
        return Read(recorded, unlike=tuple(_schema_faults(table, rows)))

    def tell(self, recorded: Recorded) -> None:
        """Take note of how many rows each commit recorded, for this process and the others."""
        self._recorded = recorded
        if self._place is not None:
            rows_of = [[table, moment.isoformat(), rows] for (table, moment), rows in recorded.items()]
            (self._place / RECORDED).write_text(json.dumps(rows_of))

    def netcdf(self, sites: Sequence[Sequence[Output]]) -> list[Fault]:
        """Hold the NetCDF files of some sites against the rows they are made of."""
        wanted = [output for files in sites for output in files]
        return list(netcdf_faults(self.archive, wanted, office_of(self.archive)))

    def prove(self, numbers: Sequence[int]) -> list[Proved]:
        """Take the commits of a lot again and compare every row."""
        return self._prover.prove_lot(numbers)

    def lots(self, numbers: Sequence[int], most: int, *, dearest_first: bool) -> list[list[int]]:
        """Put commits into lots that are proved together; with the dearest first, no process waits long at the end."""
        lots = list(self._prover.lots(numbers, most))
        return sorted(lots, key=self._prover.cost, reverse=True) if dearest_first else lots

    @cached_property
    def archive(self) -> Archive:
        """The archive, its rows at hand once they are read, where there are not too many."""
        return HeldArchive(self._plain, self._history) if self._few else self._plain

    @cached_property
    def _history(self) -> EveryRow:
        if not self._few:
            return StoredHistory(self._plain)
        if self._place is None:
            return History(self._frames)
        return History({path.stem: rows_kept(path) for path in sorted(self._place.glob("*.arrow"))})

    @cached_property
    def _prover(self) -> Prover:
        if not self._recorded and self._place is not None:
            rows_of = json.loads((self._place / RECORDED).read_text())
            self._recorded = {(table, pd.Timestamp(moment)): rows for table, moment, rows in rows_of}
        return Prover(self._plain, self._plain.ledger.entries(), self._history, self._recorded)


def _schema_faults(name: str, rows: pd.DataFrame) -> Iterator[Fault]:
    model = ARCHIVE_TABLES[name]
    if follows(rows, model):
        return
    # imported only here: a sound archive is proved without importing pandera or having it look at every column
    from pandera.errors import SchemaErrors

    from stillwell.schemas.validation import pandera_schema

    try:
        pandera_schema(model).validate(rows, lazy=True)
    except SchemaErrors as error:
        for case in error.failure_cases.drop_duplicates(["column", "check"]).itertuples():
            sentence = f"column {case.column}: expected {case.check}, found {case.failure_case!r}"
            yield Fault("schema", f"tables/{name}", sentence)


@contextmanager
def lookers(archive: Archive, *, few: bool, processes: int) -> Iterator[Crew]:
    """Have an archive looked at by so many processes, the caller among them, while the block runs.

    Parameters
    ----------
    archive : Archive
        Complete.
    few : bool
        As of ``Looker``.
    processes : int
        With fewer than two the caller does all.

    Yields
    ------
    Crew
        Each process with a ``Looker`` of its own.

    Raises
    ------
    OSError
        If there is no place for what processes leave for each other.
    """
    if processes < 2:
        yield Crew(Looker(archive, few=few))
        return
    with TemporaryDirectory(prefix="stillwell-audit-") as folder:
        place, head = Path(folder), archive.ledger.head_number()
        with spawned(processes - 1, partial(_open, archive.root, head, few, place)) as pool:
            yield Crew(Looker(archive, few=few, place=place), pool, processes - 1)


def _open(root: Path, head: int, few: bool, place: Path) -> Looker:
    return Looker(Archive(root, complete=True, number=head), few=few, place=place)
