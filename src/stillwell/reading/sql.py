"""SQL over the tables of an archive by their names: one reading statement, no other file, no setting changed."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import duckdb
import pyarrow as pa

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError

READING_STATEMENTS = (duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN)
EVERY_REVISION = "_revisions"
"""``gaugings_revisions`` and its like hold every row ever recorded, superseded and withdrawn ones too."""

_TYPES = {"string": "VARCHAR", "number": "DOUBLE", "integer": "BIGINT", "boolean": "BOOLEAN", "datetime": "TIMESTAMPTZ"}


def ask(archive: Archive, question: str, as_of: datetime | None = None) -> pa.Table:
    """Answer one SQL question about an archive.

    Parameters
    ----------
    archive : Archive
    question : str
        One SELECT. Each table's name stands for the rows that stand; ``<table>_revisions`` for every row.
    as_of : datetime, optional
        Only what had been recorded by then.

    Returns
    -------
    pyarrow.Table

    Raises
    ------
    QueryError
        If the question is not one reading statement, or the database cannot answer it.
    """
    connection = connect(archive, as_of)
    try:
        statements = connection.extract_statements(question)
        if len(statements) != 1 or statements[0].type not in READING_STATEMENTS:
            msg = "expected one SELECT statement; found something else; nothing was run"
            raise QueryError(msg)
        return connection.sql(question).to_arrow_table()
    except duckdb.Error as error:
        msg = f"the question cannot be answered: {error}"
        raise QueryError(msg) from error
    finally:
        connection.close()


def connect(archive: Archive, as_of: datetime | None = None) -> duckdb.DuckDBPyConnection:
    """Open a database in memory whose views are the archive's tables, shut off from everything else.

    Parameters
    ----------
    archive : Archive
    as_of : datetime, optional

    Returns
    -------
    duckdb.DuckDBPyConnection
    """
    connection = duckdb.connect(":memory:")
    connection.execute("SET TimeZone = 'UTC'; SET python_enable_replacements = false")
    connection.execute("SET autoinstall_known_extensions = false; SET autoload_known_extensions = false")
    for name in archive.tables():
        _create_views(connection, archive, name, as_of)
    folder = str(archive.root.absolute() / "tables") + "/"
    connection.execute(f"SET allowed_directories = [{_quoted(folder)}]")
    connection.execute("SET enable_external_access = false; SET lock_configuration = true")
    return connection


def _create_views(connection: duckdb.DuckDBPyConnection, archive: Archive, name: str, as_of: datetime | None) -> None:
    schema = json.loads(archive.document(f"schemas/{name}.json"))
    names = [field["name"] for field in schema["fields"]]
    connection.execute(f'CREATE VIEW "{name}{EVERY_REVISION}" AS {_rows(archive, name, schema, as_of)}')
    source = f'SELECT t.* FROM "{name}{EVERY_REVISION}" t'
    if {"gauging_id", "revision"} <= set(names):
        on = ["gauging_id", "revision"] + (["recorded_at"] if name == "gaugings" else [])
        if "_standing" not in _relations(connection):
            connection.register("_standing", _standing(archive, as_of))
        source += f" SEMI JOIN _standing s USING ({', '.join(on)})"
    elif "revision" in names:
        key = ", ".join(f't."{k}"' for k in schema["primaryKey"])
        source += f" QUALIFY row_number() OVER (PARTITION BY {key} ORDER BY t.revision DESC) = 1"
    connection.execute(f'CREATE VIEW "{name}" AS {source}')


def _relations(connection: duckdb.DuckDBPyConnection) -> set[str]:
    return {row[0] for row in connection.execute("SELECT view_name FROM duckdb_views()").fetchall()}


def _standing(archive: Archive, as_of: datetime | None) -> pa.Table:
    rows = archive.standing("gaugings", as_of=as_of)[["gauging_id", "revision", "recorded_at"]]
    return pa.Table.from_pandas(rows, preserve_index=False)


def _rows(archive: Archive, name: str, schema: dict[str, Any], as_of: datetime | None) -> str:
    paths = [str(archive.root.absolute() / path) for path in archive.table_paths(name)]
    if not paths:
        cells = (f'NULL::{_TYPES[f["type"]]} AS "{f["name"]}"' for f in schema["fields"])
        return f"SELECT {', '.join(cells)} WHERE false"
    files = ", ".join(_quoted(path) for path in paths)
    rows = f"SELECT * FROM read_parquet([{files}], hive_partitioning = false, union_by_name = true)"
    if as_of is not None:
        rows += f" WHERE recorded_at <= {_quoted(as_of.isoformat())}::TIMESTAMPTZ"
    return rows


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
