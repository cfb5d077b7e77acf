"""Which rows, columns and words of an archive's tables go out. Reads the archive; writes nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from schemas import ARCHIVE_TABLES, SCHEMA_VERSION
from schemas.derive import columns, table_schema
from stillwell.archive.archive import Archive
from stillwell.archive.tables import arrow_schema_from, to_parquet
from stillwell.fingerprint import canonical_json
from stillwell.publishing.public import Public


def _with_role(role: str) -> tuple[str, ...]:
    """Name the columns to which the schemas give a role, in any table."""
    found = (c.name for model in ARCHIVE_TABLES.values() for c in columns(model) if role in c.roles)
    return tuple(dict.fromkeys(found))


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


@dataclass(frozen=True)
class Going:
    """The tables that go out."""

    tables: dict[str, pd.DataFrame]
    described: dict[str, dict[str, Any]]
    """Table Schema of each, of the columns that go out."""
    never: tuple[str, ...]
    unplaced: tuple[str, ...]
    """Tables that nothing ties to a site, gauging or meter that goes out; none of their rows does."""
    columns_left_out: tuple[str, ...]
    codes_withheld: int
    """Cells of ``CODES`` that were no code."""

    @property
    def gaugings(self) -> pd.DataFrame:
        """The gaugings that go out."""
        return self.tables["gaugings"]


@dataclass
class _Scope:
    """What goes out so far, by which the rows of further tables are picked."""

    kept: dict[str, set[Any]] = field(default_factory=dict)

    def picks(self, rows: pd.DataFrame) -> pd.Series | None:
        """Mark the rows that belong to what goes out; None where nothing ties the table to it."""
        for column in ("gauging_id", "site", "subject", "check", "instrument", "rating"):
            if column in rows and column in self.kept:
                return rows[column].isin(self.kept[column])
        return None


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
    picked: dict[str, pd.DataFrame] = {}
    unplaced = []
    for name in _ordered(archive.tables()):
        rows = archive.standing(name, public.sites)
        mine = scope.picks(rows)
        if mine is None:
            unplaced.append(name)
            continue
        if "status" in rows:
            mine &= rows["status"] != "withdrawn"
        picked[name] = rows[mine].reset_index(drop=True)
        _widen(scope, name, picked[name])
    left_out: set[str] = set()
    withheld = 0
    described = {}
    for name, rows in picked.items():
        said = _description(archive, name)
        free = [column for column in FREE_TEXT if column in rows]
        left_out |= set(free)
        rows = _naming_what_goes(rows, picked["gaugings"]) if name == "ratings" else rows
        picked[name], hidden = _with_codes_only(rows.drop(columns=free))
        withheld += hidden
        described[name] = said | {"fields": [f for f in said["fields"] if f["name"] not in free]}
    tables = dict(sorted(picked.items()))
    never = tuple(name for name in archive.tables() if name in NEVER)
    return Going(tables, described, never, tuple(unplaced), tuple(sorted(left_out)), withheld)


def _ordered(names: list[str]) -> list[str]:
    """Order tables so that those others depend on come first."""
    first = [name for name in ("gaugings", "checks", "ratings") if name in names]
    return [*first, *(name for name in names if name not in (*first, *NEVER))]


def _widen(scope: _Scope, name: str, rows: pd.DataFrame) -> None:
    if name == "gaugings":
        scope.kept["gauging_id"] = scope.kept["subject"] = set(rows["gauging_id"])
        scope.kept["instrument"] = set(rows["instrument"].dropna())
        scope.kept["check"] = set(rows["check_before"].dropna()) | set(rows["check_after"].dropna())
    elif name == "ratings" and "rating" in rows:
        scope.kept["rating"] = set(rows["rating"].dropna())


def _naming_what_goes(ratings: pd.DataFrame, gaugings: pd.DataFrame) -> pd.DataFrame:
    """Leave out of the gaugings a rating was fitted to those that do not go out themselves."""
    if "gaugings" not in ratings:
        return ratings
    going = set(gaugings["gauging_id"] + "/" + gaugings["revision"].astype("str"))
    said = [
        written if pd.isna(written) else "; ".join(name for name in written.split("; ") if name in going)
        for written in ratings["gaugings"]
    ]
    return ratings.assign(gaugings=pd.Series(said, index=ratings.index, dtype="str"))


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


def parquet(name: str, rows: pd.DataFrame, described: Mapping[str, Any], notes: Mapping[str, str]) -> bytes:
    """Write one table as Parquet, described column by column as its Table Schema says.

    Parameters
    ----------
    name : str
    rows : DataFrame
    described : mapping
        Table Schema of exactly these columns.
    notes : mapping of str to str
        More to say in the file's own metadata.

    Returns
    -------
    bytes
        Sorted by site and key; the same for the same rows.
    """
    schema = arrow_schema_from(dict(described))
    told = {f["name"]: f for f in described["fields"]}
    said = {
        "archive:schema_id": name,
        "archive:schema_version": str(described.get("version", SCHEMA_VERSION)),
        "archive:columns": canonical_json(described["fields"]).decode(),
        "archive:key": ",".join(described["primaryKey"]),
        "archive:time_zone": "UTC",
    }
    schema = pa.schema([f.with_metadata(_notes(told[f.name])) for f in schema], said | dict(notes))
    arrays = [pa.Array.from_pandas(rows[f.name], type=f.type) for f in schema]
    table = pa.Table.from_arrays(arrays, schema=schema)
    keys = [c for c in dict.fromkeys(["site", *described["primaryKey"]]) if c in rows]
    return to_parquet(table.take(pc.sort_indices(table, sort_keys=[(c, "ascending") for c in keys])).combine_chunks())


def _notes(said: Mapping[str, Any]) -> dict[str, str]:
    named = {"long_name": said.get("description"), "units": said.get("unit"), "standard_name": said.get("standardName")}
    words = said.get("constraints", {}).get("enum")
    return {k: str(v) for k, v in named.items() if v} | ({"words": ", ".join(words)} if words else {})
