"""The rows of one commit: small tables as frames, large ones as the table files that they become. Writes nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from stillwell.archive.tables.table_files import TableFile, arrow_schema, as_frame, table_files
from stillwell.errors import ArchiveError


class TableBuffer(Mapping[str, pd.DataFrame]):
    """Rows of a commit by table. A large table is read back from its files each time it is asked for.

    Parameters
    ----------
    commit : int
        Number of the ledger entry to come.
    """

    def __init__(self, commit: int) -> None:
        self.frames: dict[str, pd.DataFrame] = {}
        self.files: dict[str, list[TableFile]] = {}
        self.commit = commit

    def put(self, name: str, rows: pd.DataFrame) -> None:
        """Keep rows as the files they become; they are all that the commit has of their sites in that table.

        Parameters
        ----------
        name : str
            A name of ``schemas.ARCHIVE_TABLES``.
        rows : DataFrame
            As ``table_files.table_files`` wants it.

        Raises
        ------
        ArchiveError
            If the frame is not as its schema says.
        """
        if len(rows):
            self.files.setdefault(name, []).extend(table_files(name, rows, self.commit))

    def rows(self, name: str, sites: Sequence[str], columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Read rows of some sites, all columns or some, back from the files of a large table."""
        wanted = set(sites)
        return _decoded(name, [file for file in self.files[name] if file[2].site in wanted], columns)

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.frames[name] if name in self.frames else _decoded(name, self.files[name])

    def sites(self, name: str) -> set[str]:
        """Name the sites of a large table."""
        return {file.site for _, _, file in self.files[name]}

    def __contains__(self, name: object) -> bool:
        return name in self.frames or name in self.files

    def __iter__(self) -> Iterator[str]:
        return iter([*self.frames, *self.files])

    def __len__(self) -> int:
        return len(self.frames) + len(self.files)


def parts_of(tables: Mapping[str, pd.DataFrame], name: str, columns: Sequence[str]) -> Iterator[pd.DataFrame]:
    """Read some columns of a table, site by site where it is large; nothing where a commit has no rows of it.

    Parameters
    ----------
    tables : mapping of str to DataFrame
    name : str
    columns : sequence of str

    Yields
    ------
    DataFrame
        No gauging stands in two of them.
    """
    if isinstance(tables, TableBuffer) and name in tables.files:
        for file in tables.files[name]:
            yield _decoded(name, [file], columns)
    elif name in tables:
        yield tables[name][list(columns)]


def files_of(tables: Mapping[str, pd.DataFrame], commit: int) -> list[TableFile]:
    """Write the rows of a commit as table files, by name of table.

    Parameters
    ----------
    tables : mapping of str to DataFrame
    commit : int
        Number of the ledger entry to come.

    Returns
    -------
    list of TableFile

    Raises
    ------
    ArchiveError
        If a frame is not as its schema says, or the rows were put into the buffer for another commit.
    """
    made: dict[str, list[TableFile]] = {}
    if isinstance(tables, TableBuffer):
        if tables.commit != commit:
            msg = f"expected rows of commit {commit}, found those of commit {tables.commit}; nothing was written"
            raise ArchiveError(msg)
        made |= tables.files
        tables = tables.frames
    made |= {name: table_files(name, frame, commit) for name, frame in tables.items()}
    return [file for _, files in sorted(made.items()) for file in files]


def _decoded(name: str, files: Sequence[TableFile], columns: Sequence[str] | None = None) -> pd.DataFrame:
    schema = arrow_schema(name)
    if columns is not None:
        schema = pa.schema([schema.field(column) for column in columns])
    parts = [pq.read_table(pa.BufferReader(data), columns=schema.names) for _, data, _ in files]
    return as_frame(parts, schema)
