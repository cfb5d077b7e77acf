"""An archive as readers see it. Takes no lock, writes nothing, works on a read-only folder."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from copy import copy
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import pyarrow as pa

from stillwell.archive.at_commit import AtCommit, commit_at, recorded_by
from stillwell.archive.disk.layout import READABLE_MAJOR, SCHEMAS, commit_named, entry_path, schema_path
from stillwell.archive.disk.regular_files import read_regular
from stillwell.archive.filled_groups import packed
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.sealed import Sealed
from stillwell.archive.tables.current_rows import key_of
from stillwell.archive.tables.many_files import read_whole
from stillwell.archive.tables.partial_reads import Span, Years
from stillwell.archive.tables.retired_columns import described_now
from stillwell.archive.tables.table_files import arrow_schema, arrow_schema_from, completed, our_tables, read_files
from stillwell.errors import ArchiveDamaged, ArchiveError, NotAnArchive
from stillwell.fingerprint import sha256
from stillwell.shared_types import ListedFile

if TYPE_CHECKING:
    import pandas as pd

AT_ONCE = 1_000_000
"""Rows of which codes are read at a time."""


class Archive(AtCommit):
    """The archive in a folder, as it stood when it was first looked at, or at an earlier moment (``at``).

    Parameters
    ----------
    root : Path
    complete : bool
        Whether it has every table and column of this software's schemas, empty where an older archive has none, as
        writing and proving need them; otherwise those the archive itself describes.
    number : int, optional
        See the archive as it stood after this ledger entry; files replaced since must not have been swept.
    earlier : Ledger, optional
        As of ``Ledger``.

    Raises
    ------
    NotAnArchive
        If the folder holds no ledger, or its newest entry speaks of a newer kind of archive.
    """

    def __init__(
        self, root: Path, *, complete: bool = False, number: int | None = None, earlier: Ledger | None = None
    ) -> None:
        ledger = Ledger(root, number=number, earlier=earlier)
        if ledger.head_number() == 0:
            msg = f"expected an archive, with {entry_path(1)}, in {root}; found none"
            raise NotAnArchive(msg)
        refuse_newer(ledger)
        self._open(root, ledger, complete)

    @classmethod
    def new(cls, root: Path, ledger: Ledger) -> Archive:
        """Return the view of an archive whose first commit is still to come, or of a writer's own ledger."""
        self = cls.__new__(cls)
        self._open(root, ledger, True)
        return self

    def _open(self, root: Path, ledger: Ledger, complete: bool) -> None:
        self.as_of: datetime | None = None
        self.complete = complete
        self.root = root
        self.ledger = ledger
        self.sealed = Sealed(root)

    def at(self, moment: datetime | None) -> Self:
        """Return the archive as it stood at a moment: it answers from what had been recorded by then.

        Parameters
        ----------
        moment : datetime or None
            With its offset from UTC; None for the archive as it is seen here.

        Returns
        -------
        Archive
            ``as_of`` is the moment. Files and ledger are those of now, since a compaction may have put rows elsewhere.
        """
        if moment is None:
            return self
        then = copy(self)
        then.as_of = moment
        return then

    @property
    def number(self) -> int:
        """Number of the newest ledger entry, of those recorded by the moment it is seen at."""
        return self.ledger.head_number() if self.as_of is None else commit_at(self.ledger, self.as_of)

    def listing(self) -> Mapping[str, ListedFile]:
        """Return the live files by path; as of a moment without what later commits told and without NetCDF.

        NetCDF holds what stands now. Tables and schemas stay: their rows say themselves when they were recorded.
        """
        live = self.ledger.live()
        if self.as_of is None:
            return live
        newest = self.number
        return {
            path: file
            for path, file in live.items()
            if not path.startswith("netcdf/") and not (path.startswith("provenance/") and commit_named(path) > newest)
        }

    def tables(self) -> list[str]:
        """Name the tables the archive describes or holds rows of; where it is complete, all of this software too."""
        described = {
            path.removeprefix(f"{SCHEMAS}/").removesuffix(".json")
            for path in self.ledger.live_tables()
            if path.startswith(f"{SCHEMAS}/")
        }
        ours = our_tables() if self.complete else frozenset[str]()
        return sorted(described | set(self._by_table) | ours)

    def table_files(self, table: str, sites: Sequence[str] | None = None) -> list[ListedFile]:
        """List the live files of a table, by site and then in the order committed."""
        files = self._by_table.get(table, [])
        if sites is None:
            return list(files)
        wanted = set(sites)
        return [file for file in files if not file.sites or not wanted.isdisjoint(file.sites)]

    def table_sites(self, table: str) -> list[str]:
        """Name the sites of which a table holds rows; none where it knows no sites."""
        return sorted({site for file in self.table_files(table) for site in file.sites})

    def table_paths(self, table: str, sites: Sequence[str] | None = None) -> list[str]:
        """List the paths of the live files of a table."""
        return [file.path for file in self.table_files(table, sites)]

    def read(
        self,
        table: str,
        sites: Sequence[str] | None = None,
        columns: Sequence[str] | None = None,
        years: Sequence[int] | None = None,
    ) -> pd.DataFrame:
        """Read the rows of every revision of a table.

        Parameters
        ----------
        table : str
        sites : sequence of str, optional
            Only rows of these sites; of no consequence where the table knows no sites.
        columns : sequence of str, optional
        years : sequence of int, optional
            Only rows of a series whose time lies in these years (UTC).

        Returns
        -------
        DataFrame
            With the dtypes of the table's model, also when there is no row.

        Raises
        ------
        ArchiveError
            If there is no such table.
        ArchiveDamaged
            If a file is missing or not as it was written.
        """
        files = self.table_files(table, sites)
        if years is None:
            return self.rows_of(table, files, sites, columns)
        from stillwell.schemas import SERIES_TIME

        files = [file for file in files if not file.years or not set(years).isdisjoint(file.years)]
        return self.rows_of(table, files, sites, columns, Years(SERIES_TIME[table], years))

    def rows_of(
        self,
        table: str,
        files: Sequence[ListedFile],
        sites: Sequence[str] | None = None,
        columns: Sequence[str] | None = None,
        span: Span | None = None,
    ) -> pd.DataFrame:
        """Read the rows of some live files of a table, of these sites and in this span only; as ``read`` does."""
        wanted = set(sites or ())
        only = sorted(wanted) if sites is not None and any(set(file.sites) - wanted for file in files) else None
        dated = columns if columns is None or self.as_of is None else [*dict.fromkeys([*columns, "recorded_at"])]
        rows = read_files([self.root / file.path for file in files], dated, self._schema(table), only, span)
        if self.as_of is None:
            return rows
        rows = recorded_by(rows, self.as_of).reset_index(drop=True)
        return rows if columns is None else rows[list(columns)]

    def read_proved(self, table: str) -> pd.DataFrame:
        """Read the rows of every revision of a table whose files have just been held against their digests.

        Raises
        ------
        ArchiveError, ArchiveDamaged
            As ``read``, whose rows it returns, sooner where there are many files.
        """
        return read_whole([self.root / path for path in self.table_paths(table)], self._schema(table))

    def codes(self, table: str, columns: Sequence[str], sites: Sequence[str] | None = None) -> set[tuple[str, ...]]:
        """Find the different texts in a column, or combinations of several, of the rows of every revision.

        Parameters
        ----------
        table : str
        columns : sequence of str
            Columns of text; no other column is read, and ``site`` alone is told by the ledger.
        sites : sequence of str, optional
            Only rows of these sites; of no consequence where the table knows no sites.

        Returns
        -------
        set of tuple of str
            Without those of which a part is missing.

        Raises
        ------
        ArchiveError, ArchiveDamaged
            As ``read``.
        """
        # imports pandas, without which a question in SQL is answered
        from stillwell.intake.values.constant import distinct

        if self.as_of is not None:
            return set(distinct(self.read(table, sites, columns), columns))
        schema, files = self._schema(table), self.table_files(table, sites)
        if list(columns) == ["site"]:
            return {(site,) for file in files for site in file.sites if sites is None or site in sites}
        texts: set[tuple[str, ...]] = set()
        for part in packed(files, lambda file: file.rows, AT_ONCE):
            texts.update(distinct(read_files([self.root / f.path for f in part], columns, schema, sites), columns))
        return texts

    def related(self, sites: Sequence[str]) -> list[str]:
        """Add to some sites those that share a gauging with them, because a correction moved it."""
        return sorted(self.ledger.linked_sites(sites))

    def links(self) -> list[tuple[str, str]]:
        """Pair the sites that share a gauging, because a correction moved it."""
        return self.ledger.links()

    def has_deposit(self, digest: str) -> bool:
        """Return whether a deposit was ever taken."""
        return self.sealed.contains(digest) and self.ledger.has_deposit(digest)

    def path_of(self, path: str) -> Path:
        """Find a listed file on disk: in its place, or still staged if the writer died before the move."""
        staged = self._staged.get(path)
        if staged is not None and (self.root / staged).exists():
            return self.root / staged
        return self.root / path

    @cached_property
    def _staged(self) -> dict[str, str]:
        """Where the files that the newest commit replaces are made, by their path."""
        head = self.ledger.head()
        return {move.final: move.staged for move in head.moves} if head else {}

    def document(self, path: str) -> bytes:
        """Read a listed file and hold it against its digest.

        Parameters
        ----------
        path : str
            Relative to the archive's folder.

        Raises
        ------
        ArchiveError
            If no such file is listed.
        ArchiveDamaged
            If it is missing or not as it was written.
        """
        listed = self.ledger.listed(path)
        if listed is None:
            msg = f"expected a file that the ledger lists, found no {path} in it"
            raise ArchiveError(msg)
        data = self._bytes(path)
        if sha256(data) not in (listed.sha256, self._newer_digest(listed, data)):
            msg = f"{path}: expected the sha256 {listed.sha256}, found {sha256(data)}; it is not as written"
            raise ArchiveDamaged(msg)
        return data

    def _bytes(self, path: str) -> bytes:
        try:
            return read_regular(self.path_of(path))
        except FileNotFoundError:
            pass
        try:
            return read_regular(self.root / path)
        except OSError as error:
            msg = f"{path}: expected a file that the ledger lists, found: {error.strerror}"
            raise ArchiveDamaged(msg) from error

    def _newer_digest(self, listed: ListedFile, data: bytes) -> str:
        """Return the digest a commit made since this view was opened gave the file, if its bytes differ."""
        if sha256(data) == listed.sha256:
            return listed.sha256
        newer = Ledger(self.root).listed(listed.path)
        return newer.sha256 if newer else ""

    def _schema(self, table: str) -> pa.Schema:
        described = self.description(table)
        if described is not None:
            schema = arrow_schema_from(described)
            return completed(schema, table) if self.complete else schema
        try:
            return arrow_schema(table)
        except KeyError as error:
            msg = f"expected one of the tables {', '.join(self.tables())}, found {table!r}"
            raise ArchiveError(msg) from error

    def names(self, table: str) -> list[str]:
        """Name the columns of a table."""
        return list(self._schema(table).names)

    def key(self, table: str) -> list[str]:
        """Name the columns of a table's key, as the archive describes it; by the schemas where it does not."""
        described = self.description(table)
        return key_of(table) if described is None else list(described["primaryKey"])

    def description(self, table: str) -> dict[str, Any] | None:
        """Return the Table Schema of a table as the archive keeps it, with today's columns in place of retired ones.

        None where the archive has no such table.
        """
        path = schema_path(table)
        if path not in self.ledger.live_tables():
            return None
        if path not in self._descriptions:
            self._descriptions[path] = dict(described_now(table, json.loads(self.document(path))))
        return self._descriptions[path]

    def described(self, table: str) -> dict[str, Any]:
        """Return the Table Schema of a table, as ``description`` does; ArchiveError where there is none."""
        described = self.description(table)
        if described is None:
            msg = f"expected a description of the table {table} among the files that the ledger lists, found none"
            raise ArchiveError(msg)
        return described

    @cached_property
    def _descriptions(self) -> dict[str, dict[str, Any]]:
        return {}

    @cached_property
    def _by_table(self) -> dict[str, list[ListedFile]]:
        files_of: dict[str, list[ListedFile]] = {}
        for file in self.ledger.live_tables().values():
            if file.table:
                files_of.setdefault(file.table, []).append(file)
        # the name of a file begins with its commit
        return {
            table: sorted(files, key=lambda file: (file.sites[:1], file.path.rpartition("/")[2]))
            for table, files in files_of.items()
        }


def refuse_newer(ledger: Ledger) -> None:
    """Refuse an archive whose schema is of a newer major version; damage is left to whoever reads on.

    Raises
    ------
    NotAnArchive
        If it is newer.
    """
    try:
        head = ledger.head()
    except ArchiveDamaged:
        return
    if head is not None and head.format > READABLE_MAJOR:
        msg = (
            f"expected an archive of schema version {READABLE_MAJOR} or older, found {head.schema_version}; "
            "a newer stillwell can read it, nothing was read or written"
        )
        raise NotAnArchive(msg)
