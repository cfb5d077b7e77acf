"""The archive's own description of a table: columns, units, code words, key, time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd
import pyarrow as pa

from stillwell.archive.archive import Archive
from stillwell.archive.tables.current_rows import GAUGING
from stillwell.archive.tables.table_files import arrow_schema_from
from stillwell.errors import QueryError

TIMES = ("started_at", "read_at", "time", "day", "checked_at", "decided_at", "from")
"""Columns that hold the time of a row; the first that a table has counts."""
SERIES_TIMES = ("read_at", "time", "day")
"""Those of them that are the times of a series."""
TRAIL = ("deposit", "row_file", "row_line", "revision", "recorded_at")
"""Columns that hold the origin of a row."""


@dataclass(frozen=True)
class ColumnOf:
    """A column as the archive describes it."""

    name: str
    kind: str
    description: str
    units: str | None
    standard_name: str | None
    words: tuple[str, ...]
    required: bool

    @property
    def attributes(self) -> dict[str, str]:
        """CF attributes: ``long_name``, and ``units`` and ``standard_name`` where there are any."""
        named = {"long_name": self.description, "units": self.units, "standard_name": self.standard_name}
        return {name: value for name, value in named.items() if value}


@dataclass(frozen=True)
class Described:
    """A table as the archive describes it."""

    table: str
    description: str
    columns: Mapping[str, ColumnOf]
    key: tuple[str, ...]
    schema: pa.Schema = field(repr=False)

    @property
    def of_gaugings(self) -> bool:
        """Whether each row belongs to a revision of a gauging, or is one."""
        return set(GAUGING) <= set(self.columns)

    @property
    def time(self) -> str | None:
        """Column by which rows lie in a span of time; a row of a gauging lies where its gauging started."""
        if self.of_gaugings and self.table != "gaugings":
            return None
        named = next((name for name in TIMES if name in self.columns), None)
        alone = "recorded_at" if "revision" not in self.columns and "recorded_at" in self.columns else None
        return named or alone

    @property
    def is_series(self) -> bool:
        """Whether its rows are values of a site over time."""
        return "site" in self.key and self.time in self.key and self.time in SERIES_TIMES

    @property
    def order(self) -> list[str]:
        """Columns by which the rows of a table file are sorted."""
        names = dict.fromkeys(["site", *self.key, "revision", "recorded_at"])
        return [name for name in names if name in self.columns]

    @property
    def units(self) -> dict[str, str]:
        """Units by column, of the columns that have one."""
        return {c.name: c.units for c in self.columns.values() if c.units}

    def as_frame(self) -> pd.DataFrame:
        """Lay the columns out as a table for a person."""
        rows = {
            c.name: (
                c.kind,
                c.units or "",
                c.description,
                ", ".join(c.words),
                c.standard_name or "",
                c.name in self.key,
            )
            for c in self.columns.values()
        }
        names = ["kind", "unit", "description", "words", "standard_name", "key"]
        return pd.DataFrame.from_dict(rows, orient="index", columns=names).rename_axis("column")


def describe(archive: Archive, table: str) -> Described:
    """Read an archive's description of a table.

    Parameters
    ----------
    archive : Archive
    table : str

    Returns
    -------
    Described

    Raises
    ------
    QueryError
        If the archive has no such table.
    """
    schema = archive.description(table)
    if schema is None:
        msg = f"expected one of the archive's tables {', '.join(archive.tables())}; found {table!r}"
        raise QueryError(msg)
    columns = {one["name"]: _column(one) for one in schema["fields"]}
    description = str(schema.get("description", ""))
    return Described(table, description, columns, tuple(schema["primaryKey"]), arrow_schema_from(schema))


def _column(field_: Mapping[str, Any]) -> ColumnOf:
    limits = field_.get("constraints", {})
    return ColumnOf(
        name=field_["name"],
        kind=field_["type"],
        description=field_.get("description", ""),
        units=field_.get("unit"),
        standard_name=field_.get("standardName"),
        words=tuple(limits.get("enum", ())),
        required=bool(limits.get("required", False)),
    )
