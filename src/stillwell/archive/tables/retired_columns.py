"""Columns that files of earlier versions have in place of today's: read as if they had been written today."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pyarrow as pa

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Successor:
    """The column that stands in the place of one of earlier versions."""

    name: str
    follows_from: tuple[str, ...]
    """Columns of the same row."""
    made: Callable[[pd.DataFrame], pd.Series]


RETIRED: Mapping[str, Mapping[str, str]] = MappingProxyType({"gaugings": MappingProxyType({"quality": "within_pct"})})
"""Names of successors by table and retired column."""
NAMES = frozenset(name for known in RETIRED.values() for name in known.values())


@cache
def successors(table: str) -> Mapping[str, Successor]:
    """Return the successors of a table's retired columns, by these.

    What they follow from is imported here: a reader of an archive of today does without it.
    """
    if table not in RETIRED:
        return {}
    from stillwell.hydrometry.gauging.uncertainty_in_use import JUDGED_BY, within_pct

    made = {"within_pct": Successor("within_pct", JUDGED_BY, within_pct)}
    return {retired: made[name] for retired, name in RETIRED[table].items()}


def described_now(table: str, described: Mapping[str, Any]) -> Mapping[str, Any]:
    """Put the descriptions of successors in the place of retired columns.

    Parameters
    ----------
    table : str
    described : mapping
        Table Schema, as it stands in an archive.

    Returns
    -------
    mapping
        The same where nothing is retired.
    """
    known = RETIRED.get(table, {})
    names = {field["name"] for field in described["fields"]}
    if names.isdisjoint(known):
        return described
    fields = []
    for field in described["fields"]:
        name = known.get(field["name"])
        if name is None:
            fields.append(field)
        elif name not in names:
            fields.append(_field(table, name))
    return {**described, "fields": fields}


@cache
def _field(table: str, name: str) -> dict[str, Any]:
    from stillwell.schemas import ARCHIVE_TABLES, SCHEMA_VERSION
    from stillwell.schemas.derive import table_schema

    fields: list[dict[str, Any]] = table_schema(table, ARCHIVE_TABLES[table], SCHEMA_VERSION)["fields"]
    return next(field for field in fields if field["name"] == name)


def to_read(wanted: Sequence[str], held: Collection[str]) -> list[str]:
    """Name the columns of a file that some wanted ones need: those it holds, and what its successors follow from.

    Parameters
    ----------
    wanted : sequence of str
    held : collection of str
        Columns of the file.

    Returns
    -------
    list of str
        Each once.
    """
    names = [name for name in wanted if name in held]
    for one in _missing(wanted, held):
        names += [name for name in one.follows_from if name in held]
    return list(dict.fromkeys(names))


def lacks_successors(table: str, held: Collection[str]) -> bool:
    """Say whether a file of a table, by its columns, has retired ones in the place of today's.

    Parameters
    ----------
    table : str
    held : collection of str
        Columns of the file.
    """
    return bool(_missing(list(RETIRED.get(table, {}).values()), held))


def with_successors(part: pa.Table, wanted: Sequence[str]) -> pa.Table:
    """Add the wanted successors of columns that a part of an earlier version holds.

    Parameters
    ----------
    part : pyarrow.Table
        What ``to_read`` named, of one file.
    wanted : sequence of str

    Returns
    -------
    pyarrow.Table
        The same where there is nothing to add.
    """
    for one in _missing(wanted, part.column_names):
        beside = [name for name in one.follows_from if name in part.column_names]
        made = one.made(part.select(beside).to_pandas())
        part = part.append_column(one.name, pa.Array.from_pandas(made, type=pa.string()))
    return part


def _missing(wanted: Sequence[str], held: Collection[str]) -> list[Successor]:
    """Pick the successors that are wanted and not held, of a file that holds what they follow from."""
    if NAMES.isdisjoint(wanted) or set(held) >= NAMES:
        return []
    return [
        one
        for table in RETIRED
        for one in successors(table).values()
        if one.name in wanted and one.name not in held and not set(one.follows_from).isdisjoint(held)
    ]
