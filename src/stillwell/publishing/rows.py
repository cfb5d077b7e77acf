"""Selects the rows and columns of an archive's tables that are published. Writes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.archive.archive import Archive
from stillwell.archive.batches.site_batches import table_batches
from stillwell.archive.tables.parquet_bytes import parquet_pieces
from stillwell.archive.tables.table_files import arrow_schema_from
from stillwell.fingerprint import canonical_json
from stillwell.publishing.public import Public
from stillwell.schemas import ARCHIVE_TABLES, SCHEMA_VERSION
from stillwell.schemas.derive import columns, table_schema


def _with_role(role: str) -> tuple[str, ...]:
    """Name the columns to which the schemas give a role, in any table."""
    names = (c.name for model in ARCHIVE_TABLES.values() for c in columns(model) if role in c.roles)
    return tuple(dict.fromkeys(names))


NEVER: Mapping[str, str] = MappingProxyType(
    {
        "deposits": "names of files as handed in, and who handed in what for sites that are not public",
        "policies": "a file as handed in, with whatever stands in its comments; the thresholds are in this README",
    }
)
"""Tables that never go out, and why. ``people`` is no table of an archive at all."""
FREE_TEXT = _with_role("private")
"""Columns into which people write what they like, and names of files they chose: both may hold names of persons."""
CODES = _with_role("person")
"""Columns that name a person, or several, by a code."""
CODE = r"[^\s,;@]{1,40}"
"""What can be a code. A name with its blank between the parts cannot; one written as a single word would pass."""
NOT_A_CODE = "withheld"


NEEDED_WHOLE = ("gaugings", "ratings", "findings")
"""Tables that are held whole, since others are picked by them or documents count them; the rest goes by lots."""
AT_ONCE = 500_000
"""Rows of a table in hand at a time; a site is never parted."""


@dataclass
class _Scope:
    """Values of linking columns that are published so far, by which the rows of further tables are selected."""

    values: dict[str, set[Any]] = field(default_factory=dict)

    def column_of(self, names: Iterable[str]) -> str | None:
        """Name the column that ties a table of these columns to what goes out; None where nothing does."""
        known = ("gauging_id", "site", "subject", "check", "instrument", "rating")
        return next((column for column in known if column in names and column in self.values), None)


@dataclass(frozen=True)
class Going:
    """The tables that go out, read by lots of sites as they are needed."""

    archive: Archive
    sites: tuple[str, ...]
    described: dict[str, dict[str, Any]]
    """Table Schema of each, of the columns that go out, by name in order."""
    never: tuple[str, ...]
    unplaced: tuple[str, ...]
    """Tables that nothing ties to a site, gauging or meter that goes out; none of their rows does."""
    columns_left_out: tuple[str, ...]
    scope: _Scope
    whole: dict[str, pd.DataFrame]
    """Those of ``NEEDED_WHOLE``, with every column."""

    @property
    def gaugings(self) -> pd.DataFrame:
        """The gaugings that go out."""
        return self.of("gaugings")

    def lots(self, name: str) -> Iterator[pd.DataFrame]:
        """Read the rows of a table that go out, with every column, some sites at a time in the order of their codes."""
        if name in self.whole:
            yield self.whole[name]
            return
        for sites in table_batches(self.archive, name, AT_ONCE, self.sites):
            yield self._picked(name, self.sites if sites is None else sites)

    def of(self, name: str, sites: Sequence[str] | None = None) -> pd.DataFrame:
        """Read the rows of a table that go out as they do, codes and columns withheld, of all sites or some."""
        if name in self.whole or sites is None:
            rows = self.whole[name] if name in self.whole else self._picked(name, self.sites)
            rows = rows if sites is None else rows[rows["site"].isin(set(sites))].reset_index(drop=True)
        else:
            rows = self._picked(name, sorted(set(sites) & set(self.sites)))
        return self.as_published(name, rows)[0]

    def as_published(self, name: str, rows: pd.DataFrame) -> tuple[pd.DataFrame, int]:
        """Leave out of rows what nobody outside may read, and count the cells of ``CODES`` that were no code."""
        if name == "ratings":
            rows = _naming_what_goes(rows, self.whole["gaugings"])
        return _with_codes_only(rows.drop(columns=[column for column in FREE_TEXT if column in rows]))

    def _picked(self, name: str, sites: Sequence[str]) -> pd.DataFrame:
        return _picked(self.archive, name, sites, self.scope)


def going(archive: Archive, public: Public) -> Going:
    """Pick what goes out of an archive: rows that stand, of public sites, without free text.

    Parameters
    ----------
    archive : Archive
    public : Public

    Returns
    -------
    Going
    """
    scope = _Scope({"site": set(public.sites)})
    whole: dict[str, pd.DataFrame] = {}
    described: dict[str, dict[str, Any]] = {}
    unplaced, left_out = [], set[str]()
    for name in _ordered(archive.tables()):
        names = archive.names(name)
        if scope.column_of(names) is None:
            unplaced.append(name)
            continue
        if name in NEEDED_WHOLE:
            whole[name] = _picked(archive, name, public.sites, scope)
            _widen(scope, name, whole[name])
        free = [column for column in FREE_TEXT if column in names]
        left_out |= set(free)
        description = _description(archive, name)
        described[name] = description | {"fields": [f for f in description["fields"] if f["name"] not in free]}
    never = tuple(name for name in archive.tables() if name in NEVER)
    ordered = dict(sorted(described.items()))
    return Going(archive, public.sites, ordered, never, tuple(unplaced), tuple(sorted(left_out)), scope, whole)


def _picked(archive: Archive, name: str, sites: Sequence[str], scope: _Scope) -> pd.DataFrame:
    """Read the rows of a table and some sites that stand and belong to what goes out."""
    rows = archive.standing(name, sites)
    column = scope.column_of(rows.columns) or "site"
    mine = rows[column].isin(scope.values[column])
    return rows if mine.all() else rows[mine].reset_index(drop=True)


def _ordered(names: list[str]) -> list[str]:
    """Order tables so that those others depend on come first."""
    first = [name for name in ("gaugings", "checks", "ratings") if name in names]
    return [*first, *(name for name in names if name not in (*first, *NEVER))]


def _widen(scope: _Scope, name: str, rows: pd.DataFrame) -> None:
    if name == "gaugings":
        scope.values["gauging_id"] = scope.values["subject"] = set(rows["gauging_id"])
        scope.values["instrument"] = set(rows["instrument"].dropna())
        scope.values["check"] = set(rows["check_before"].dropna()) | set(rows["check_after"].dropna())
    elif name == "ratings" and "rating" in rows:
        scope.values["rating"] = set(rows["rating"].dropna())


def _naming_what_goes(ratings: pd.DataFrame, gaugings: pd.DataFrame) -> pd.DataFrame:
    """Leave out of the gaugings a rating was fitted to those that do not go out themselves."""
    if "gaugings" not in ratings:
        return ratings
    going = set(gaugings["gauging_id"] + "/" + gaugings["revision"].astype("str"))
    cells = [
        written if pd.isna(written) else "; ".join(name for name in written.split("; ") if name in going)
        for written in ratings["gaugings"]
    ]
    return ratings.assign(gaugings=pd.Series(cells, index=ratings.index, dtype="str"))


def _with_codes_only(rows: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    hidden = 0
    for column in CODES:
        if column in rows:
            bad = ~is_code(rows[column]) & rows[column].notna()
            hidden += int(bad.sum())
            rows = rows.assign(**{column: rows[column].mask(bad, NOT_A_CODE)})
    return rows, hidden


def is_code(values: pd.Series) -> pd.Series:
    """Mark the cells that can be a person's code."""
    return values.astype("str").str.fullmatch(CODE).fillna(False).astype("bool")


def _description(archive: Archive, name: str) -> dict[str, Any]:
    return archive.description(name) or table_schema(name, ARCHIVE_TABLES[name], SCHEMA_VERSION)


def parquet(
    name: str, lots: Iterable[pd.DataFrame], described: Mapping[str, Any], notes: Mapping[str, str]
) -> Iterator[bytes]:
    """Write one table as Parquet, described column by column as its Table Schema says.

    Parameters
    ----------
    name : str
    lots : iterable of DataFrame
        Rows of some sites each, the sites in the order of their codes.
    described : mapping
        Table Schema of exactly these columns.
    notes : mapping of str to str
        More to say in the file's own metadata.

    Yields
    ------
    bytes
        Pieces of the file; sorted by site and key, and the same for the same rows however they are parted into lots.
    """
    schema = arrow_schema_from(dict(described))
    fields = {f["name"]: f for f in described["fields"]}
    metadata = {
        "archive:schema_id": name,
        "archive:schema_version": str(described.get("version", SCHEMA_VERSION)),
        "archive:columns": canonical_json(described["fields"]).decode(),
        "archive:key": ",".join(described["primaryKey"]),
        "archive:time_zone": "UTC",
    }
    schema = pa.schema([f.with_metadata(_notes(fields[f.name])) for f in schema], metadata | dict(notes))
    keys = [c for c in dict.fromkeys(["site", *described["primaryKey"]]) if c in schema.names]
    return parquet_pieces(schema, (_in_order(rows, schema, keys) for rows in lots))


def _in_order(rows: pd.DataFrame, schema: pa.Schema, keys: Sequence[str]) -> pa.Table:
    table = pa.Table.from_arrays([pa.Array.from_pandas(rows[f.name], type=f.type) for f in schema], schema=schema)
    return table.take(pc.sort_indices(table, sort_keys=[(c, "ascending") for c in keys])).combine_chunks()


def _notes(field: Mapping[str, Any]) -> dict[str, str]:
    named = {
        "long_name": field.get("description"),
        "units": field.get("unit"),
        "standard_name": field.get("standardName"),
    }
    words = field.get("constraints", {}).get("enum")
    return {k: str(v) for k, v in named.items() if v} | ({"words": ", ".join(words)} if words else {})
