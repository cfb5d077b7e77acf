"""SQL over the tables of an archive by their names: one reading statement, no other file, no setting changed.

Bounded in time, memory and length of the answer; writes nothing, not even what does not fit into memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence, Set
from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
from duckdb import sqltypes
from duckdb.func import ARROW, SPECIAL

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import recorded_by_in_sql
from stillwell.archive.tables.current_rows import GAUGING, RANK, newest_in_sql, standing_places
from stillwell.archive.tables.partial_reads import read_parts
from stillwell.archive.tables.retired_columns import RETIRED, Successor, lacks_successors, successors, with_successors
from stillwell.archive.tables.table_files import arrow_schema_from, joined
from stillwell.errors import QueryError
from stillwell.reading.select.bounds import LONGEST_S, room_for, stopped_after
from stillwell.reading.select.files import check_files, selected_files, settled

READING_STATEMENTS = (duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN)
EVERY_REVISION = "_revisions"
"""``gaugings_revisions`` and its like hold every row ever recorded, superseded and withdrawn ones too."""

INNER = "inner_tables"
"""Schema of what the views are made with; ``SHOW TABLES`` names the public ones only."""
MOST_MEMORY = 3 * 2**30
"""Largest memory of a question in bytes, as a laptop has free; nothing is spilled to disk."""
MOST_ANSWER = 1024 * 2**20
"""Largest answer in bytes: five million points with all their columns."""
LONGEST_QUESTION = 100_000
"""Characters: a question typed by a person is below 2000."""
CATALOGUE = ("duckdb_", "pragma_", "pg_", "sqlite_", "information_schema", "show")
"""Prefixes of words that query the catalogue of tables."""
_BATCH = 100_000

_TYPES = {"string": "VARCHAR", "number": "DOUBLE", "integer": "BIGINT", "boolean": "BOOLEAN", "datetime": "TIMESTAMPTZ"}


def ask(archive: Archive, question: str, *, longest_s: float = LONGEST_S) -> pa.Table:
    """Answer one SQL question about an archive.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood at a moment.
    question : str
        One SELECT. Each table's name stands for the rows that stand; ``<table>_revisions`` for every row.
    longest_s : float
        Seconds it may take.

    Returns
    -------
    pyarrow.Table

    Raises
    ------
    QueryError
        If the question is not one reading statement, takes too long, asks for too much, or cannot be answered.
    """
    session = Session(archive)
    try:
        return session.ask(question, longest_s)
    finally:
        session.close()


class Session:
    """A database in memory over an archive, for one question at a time; a table is made ready when it is first named.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood at a moment.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._connection = connect(archive, ())
        self._ready: set[str] = set()

    def ask(self, question: str, longest_s: float = LONGEST_S) -> pa.Table:
        """Answer one question; see ``ask``. After an error the session is not used again."""
        if len(question) > LONGEST_QUESTION:
            msg = (
                f"expected a question of at most {LONGEST_QUESTION} characters, found {len(question)}; nothing was run"
            )
            raise QueryError(msg)
        try:
            _check_reading(self._connection, question)
            self._make_ready(named_in(question, self._archive.tables()))
            try:
                return _answered(self._connection, question, longest_s)
            except duckdb.CatalogException:
                if len(self._ready) == len(self._archive.tables()):
                    raise
                # a table may be named in a way not seen in the text; and an error names the tables near by
                self._make_ready(None)
                return _answered(self._connection, question, longest_s)
        except duckdb.Error as error:
            msg = f"the question cannot be answered: {error}"
            raise QueryError(msg) from error

    def close(self) -> None:
        """Close the database."""
        self._connection.close()

    def _make_ready(self, tables: Sequence[str] | None) -> None:
        for name in self._archive.tables() if tables is None else tables:
            if name not in self._ready:
                _create_views(self._connection, self._archive, name)
                self._ready.add(name)


def named_in(question: str, tables: Sequence[str]) -> list[str] | None:
    """Pick the tables that a question names, so that only they are made ready; None where all are needed.

    Parameters
    ----------
    question : str
    tables : sequence of str
        All of the archive.

    Returns
    -------
    list of str or None
    """
    words = {word.lower() for word in re.findall(r"\w+", question)}
    if any(word.startswith(CATALOGUE) for word in words):
        return None
    named = [name for name in tables if name in words or f"{name}{EVERY_REVISION}" in words]
    return named or None


def _answered(connection: duckdb.DuckDBPyConnection, question: str, longest_s: float) -> pa.Table:
    with stopped_after(longest_s, connection.interrupt) as late, room_for(MOST_MEMORY + MOST_ANSWER):
        try:
            return _fetched(connection.sql(question))
        except (duckdb.OutOfMemoryException, MemoryError, pa.ArrowMemoryError) as error:
            msg = f"expected a question that needs at most {MOST_MEMORY // 2**30} GiB, found more"
            raise QueryError(msg) from error
        except duckdb.Error as error:
            if not late.is_set():
                raise
            msg = (
                f"expected an answer within {longest_s:g} s, found none; the question was stopped and nothing was "
                "changed; a longer time can be set"
            )
            raise QueryError(msg) from error


def _check_reading(connection: duckdb.DuckDBPyConnection, question: str) -> None:
    """Refuse all but one SELECT, or the plan of one; a plan that is tried out would carry out what it explains."""
    statements = connection.extract_statements(question)
    reading = len(statements) == 1 and statements[0].type in READING_STATEMENTS
    if reading and statements[0].type == duckdb.StatementType.EXPLAIN:
        places = [place for place, _ in duckdb.tokenize(question)]
        explained = re.match(r"\w+", question[places[1] :]) if len(places) > 1 else None
        reading = explained is not None and explained[0].lower() in ("select", "with", "from")
    if not reading:
        statement = (
            "something else" if len(statements) == 1 else f"{len(statements)} statements" if statements else "none"
        )
        msg = f"expected one SELECT statement; found {statement}; nothing was run"
        raise QueryError(msg)


def _fetched(relation: duckdb.DuckDBPyRelation | None) -> pa.Table:
    """Fetch an answer of at most ``MOST_ANSWER`` bytes."""
    if relation is None:
        msg = "expected one SELECT statement; found one without an answer; nothing was run"
        raise QueryError(msg)
    batches: list[pa.RecordBatch] = []
    size = 0
    reader = relation.to_arrow_reader(_BATCH)
    for batch in reader:
        size += batch.nbytes
        if size > MOST_ANSWER:
            msg = f"expected an answer of at most {MOST_ANSWER // 2**20} MiB, found more; ask for less at once"
            raise QueryError(msg)
        batches.append(batch)
    return pa.Table.from_batches(batches, reader.schema).rename_columns(_with_distinct_names(reader.schema.names))


def _with_distinct_names(names: list[str]) -> list[str]:
    """Append numbers to columns of the same name, as in ``site_2``: a dict of a row would hold only the last."""
    out: list[str] = []
    for name in names:
        numbered = (name, *(f"{name}_{number}" for number in range(2, len(names) + 2)))
        out.append(next(free for free in numbered if free not in out))
    return out


def connect(archive: Archive, tables: Sequence[str] | None = None) -> duckdb.DuckDBPyConnection:
    """Open a database in memory whose views are the archive's tables, shut off from everything else.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood at a moment.
    tables : sequence of str, optional
        Only these.

    Returns
    -------
    duckdb.DuckDBPyConnection
    """
    connection = duckdb.connect(":memory:")
    connection.execute("SET TimeZone = 'UTC'; SET python_enable_replacements = false")
    connection.execute("SET autoinstall_known_extensions = false; SET autoload_known_extensions = false")
    connection.execute(f"SET temp_directory = ''; SET memory_limit = '{MOST_MEMORY} bytes'")
    for name in archive.tables() if tables is None else tables:
        _create_views(connection, archive, name)
    folder = str(archive.root.absolute() / "tables") + "/"
    connection.execute(f"SET allowed_directories = [{_quoted(folder)}]")
    connection.execute("SET enable_external_access = false; SET lock_configuration = true")
    return connection


def _create_views(connection: duckdb.DuckDBPyConnection, archive: Archive, name: str) -> None:
    schema = archive.described(name)
    earlier = _earlier_files(archive, name)
    if earlier:
        _register_successors(connection, name)
    names = [field["name"] for field in schema["fields"]]
    connection.execute(f'CREATE VIEW "{name}{EVERY_REVISION}" AS {_rows(archive, name, schema, earlier)}')
    source = f'SELECT t.* FROM "{name}{EVERY_REVISION}" t'
    if {"gauging_id", "revision"} <= set(names):
        on = ["gauging_id", "revision"] + (["recorded_at"] if name == "gaugings" else [])
        _create_current_gaugings(connection, archive)
        source += f" SEMI JOIN {INNER}.standing s USING ({', '.join(on)})"
    elif "revision" in names and not settled(names, selected_files(archive, name, None)):
        source += f" {newest_in_sql(schema['primaryKey'], 't')}"
    connection.execute(f'CREATE VIEW "{name}" AS {source}')


def _create_current_gaugings(connection: duckdb.DuckDBPyConnection, archive: Archive) -> None:
    """Create the table of current revisions of gaugings once, in a schema that lists of tables do not show."""
    made = f"SELECT 1 FROM duckdb_tables() WHERE schema_name = '{INNER}'"
    if connection.execute(made).fetchone():
        return
    connection.register("handed_over", _current_gaugings(archive))
    connection.execute(f"CREATE SCHEMA {INNER}; CREATE TABLE {INNER}.standing AS SELECT * FROM handed_over")
    connection.unregister("handed_over")


def _current_gaugings(archive: Archive) -> pa.Table:
    """Name the current revisions of gaugings; without pandas, whose import takes longer than most answers.

    Arrow imports it to make an array of numpy's, or the other way round, but not where they share their memory.
    """
    schema = arrow_schema_from(archive.described("gaugings"))
    names = [*GAUGING, "recorded_at", "status"]
    paths = [archive.root / path for path in archive.table_paths("gaugings")]
    rows = joined(read_parts(paths, names, None, None), pa.schema([schema.field(name) for name in names]))
    gauging, status = (rows[name].combine_chunks().dictionary_encode() for name in ("gauging_id", "status"))
    recorded_at = np.from_dlpack(rows["recorded_at"].cast(pa.int64()).combine_chunks())
    rank = np.array([RANK.get(word, -1) for word in status.dictionary.to_pylist()], dtype=np.int64)
    columns = (
        np.from_dlpack(gauging.indices),
        np.from_dlpack(rows["revision"].combine_chunks()),
        recorded_at,
        rank[np.from_dlpack(status.indices)],
    )
    last = np.inf if archive.as_of is None else (archive.as_of - _EPOCH) // timedelta(microseconds=1)
    known = np.flatnonzero(recorded_at <= last)
    places = known[standing_places(*(column[known] for column in columns))]
    return rows.take(pa.Array.from_buffers(pa.int64(), places.size, [None, pa.py_buffer(places)]))


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _earlier_files(archive: Archive, name: str) -> frozenset[str]:
    """Return the files of a table that have retired columns in place of today's."""
    if name not in RETIRED:
        return frozenset()
    columns_of = {one.path: one.footer.schema.names for one in selected_files(archive, name, None)}
    paths = {path: columns_of.get(archive.root / path, []) for path in archive.table_paths(name)}
    return frozenset(path for path, columns in paths.items() if lacks_successors(name, columns))


def _rows(archive: Archive, name: str, schema: dict[str, Any], earlier: Set[str]) -> str:
    paths = archive.table_paths(name)
    old, new = [path for path in paths if path in earlier], [path for path in paths if path not in earlier]
    if not paths:
        cells = (f'NULL::{_TYPES[f["type"]]} AS "{f["name"]}"' for f in schema["fields"])
        return f"SELECT {', '.join(cells)} WHERE false"
    parts = [_with_successors(name, _files(archive, old))] if old else []
    rows = " UNION ALL BY NAME ".join(parts + ([f"SELECT * FROM {_files(archive, new)}"] if new else []))
    if archive.as_of is not None:
        rows = f"SELECT * FROM ({rows}) WHERE {recorded_by_in_sql(archive.as_of)}"
    return rows


def _files(archive: Archive, paths: Sequence[str]) -> str:
    places = [archive.root.absolute() / path for path in paths]
    check_files(places)
    names = ", ".join(_quoted(str(place)) for place in places)
    return f"read_parquet([{names}], hive_partitioning = false, union_by_name = true)"


def _with_successors(table: str, files: str) -> str:
    """Ask for the rows of files of earlier versions with today's columns in place of retired ones."""
    known = successors(table)
    made = (
        f"{one.name}_of(struct_pack({', '.join(f'{c} := {c}' for c in one.follows_from)})) AS {one.name}"
        for one in known.values()
    )
    return f"SELECT * EXCLUDE ({', '.join(known)}), {', '.join(made)} FROM {files}"


def _register_successors(connection: duckdb.DuckDBPyConnection, table: str) -> None:
    """Register functions ``<successor>_of`` that compute the successors of retired columns."""
    for one in successors(table).values():
        source = duckdb.struct_type(dict.fromkeys(one.follows_from, "DOUBLE"))
        of, made = f"{one.name}_of", _of_rows(one)
        connection.create_function(of, made, [source], sqltypes.VARCHAR, type=ARROW, null_handling=SPECIAL)


def _of_rows(one: Successor) -> Callable[[Any], Any]:
    def made(rows: Any) -> Any:
        return with_successors(pa.Table.from_struct_array(rows), [one.name])[one.name]

    return made


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
