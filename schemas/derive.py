"""Plain descriptions read off the models: what Parquet, NetCDF, Table Schema and the data dictionary are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from stillwell.schemas.base import KINDS, Column, Kind, Table, Variable

WITH_NETCDF = ("gaugings", "verticals", "points", "findings", "stage", "discharge", "daily")
"""Archive tables whose rows stand in NetCDF too."""
UDUNITS = MappingProxyType({"dB": "0.1 lg(re 1)"})
"""How a unit that UDUNITS does not know by its name is written for it."""
FRAME_TYPES: Mapping[str, Any] = MappingProxyType(
    {"text": "str", "number": "float64", "count": "Int64", "flag": "boolean", "time": "datetime64[us, UTC]"}
)
"""Type of each kind of column in a frame."""
_JSON_TYPES = {"text": "string", "number": "number", "count": "integer", "flag": "boolean", "time": "datetime"}


_DESCRIBED: dict[type[Table], tuple[Column, ...]] = {}


def columns(model: type[Table]) -> tuple[Column, ...]:
    """Describe a model's columns in order.

    Parameters
    ----------
    model : type of Table

    Returns
    -------
    tuple of Column
    """
    if model not in _DESCRIBED:
        # columns of base classes come first, and a column defined again keeps its first place
        written = [vars(base).get("__annotations__", {}) for base in reversed(model.__mro__)]
        kinds = {name: KINDS[annotation] for names in written for name, annotation in names.items()}
        _DESCRIBED[model] = tuple(_column(name, kind, getattr(model, name)) for name, kind in kinds.items())
    return _DESCRIBED[model]


def _column(attribute: str, kind: Kind, declared: Column) -> Column:
    longest = declared.longest if kind == "text" and not declared.words else None
    return replace(declared, name=declared.name or attribute, kind=kind, longest=longest)


def key_names(model: type[Table]) -> list[str]:
    """Name the columns of a model's key.

    Parameters
    ----------
    model : type of Table

    Returns
    -------
    list of str
    """
    return [c.name for c in columns(model) if c.key]


def table_schema(name: str, model: type[Table], version: str) -> dict[str, Any]:
    """Describe a table as a Frictionless Table Schema.

    Parameters
    ----------
    name : str
        Name of the table.
    model : type of Table
    version : str
        Schema version to state.

    Returns
    -------
    dict
        Ready for JSON. ``unit`` and ``standardName`` are custom properties, which the standard allows.
    """
    return {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "name": name,
        "description": (model.__doc__ or "").strip(),
        "version": version,
        "fields": [_field(c) for c in columns(model)],
        "primaryKey": key_names(model),
        "missingValues": [""],
    }


def _field(c: Column) -> dict[str, Any]:
    limits: dict[str, Any] = {"required": True} if c.required else {}
    limits |= {"minimum": c.minimum} if c.minimum is not None else {}
    limits |= {"exclusiveMinimum": c.above} if c.above is not None else {}
    limits |= {"maximum": c.maximum} if c.maximum is not None else {}
    limits |= {"enum": list(c.words)} if c.words else {}
    limits |= {"maxLength": c.longest} if c.longest else {}
    field: dict[str, Any] = {"name": c.name, "type": _JSON_TYPES[c.kind], "description": c.description}
    field |= {"format": "any"} if c.kind == "time" else {}
    field |= {"unit": c.units} if c.units else {}
    field |= {"standardName": c.standard_name} if c.standard_name else {}
    return field | ({"constraints": limits} if limits else {})


def attributes(column: Column) -> dict[str, str]:
    """List the CF attributes of a column.

    Parameters
    ----------
    column : Column

    Returns
    -------
    dict of str
        ``long_name``, and ``units`` and ``standard_name`` where the column has them.
    """
    attrs = {"long_name": column.description}
    attrs |= {"units": column.units} if column.units else {}
    return attrs | ({"standard_name": column.standard_name} if column.standard_name else {})


def variables(table: str, model: type[Table]) -> tuple[tuple[Column, Variable], ...]:
    """List the columns of a table that become variables of its NetCDF, those with code of their own left out.

    Parameters
    ----------
    table : str
    model : type of Table

    Returns
    -------
    tuple of (Column, Variable)
        Numbers and counts become doubles; words of closed lists and flags become numbers from 1 with their meanings.
    """
    declared = ((c, c.variable(table)) for c in columns(model))
    return tuple((c, variable) for c, variable in declared if variable is not None and not variable.own)


def meanings(column: Column) -> tuple[str, ...] | None:
    """Return the words that a variable numbers from 1; None for numbers."""
    return ("no", "yes") if column.kind == "flag" else column.words


def variable_attributes(column: Column, variable: Variable) -> dict[str, Any]:
    """List the CF and ACDD attributes of a variable of numbers.

    Parameters
    ----------
    column : Column
    variable : Variable

    Returns
    -------
    dict
        Those of ``attributes`` with the unit as UDUNITS spells it, content type, cell methods where there are any, and
        the multiplier of an expanded uncertainty (k = 2).
    """
    attrs: dict[str, Any] = attributes(column) | {"coverage_content_type": variable.content}
    attrs["units"] = UDUNITS.get(attrs.get("units", "1"), attrs.get("units", "1"))
    if column.units == "degree_Celsius":
        attrs["units_metadata"] = "temperature: on_scale"
    if attrs.get("standard_name", "").endswith(" standard_error"):
        attrs["standard_error_multiplier"] = 2.0
    return attrs | ({"cell_methods": variable.cells} if variable.cells else {})


def dictionary(tables: dict[str, type[Table]], heading: str) -> str:
    """Write the data dictionary of some tables as Markdown.

    Parameters
    ----------
    tables : dict of str to model
    heading : str
        Heading over all of them.

    Returns
    -------
    str
    """
    parts = [f"## {heading}\n"]
    for name, model in tables.items():
        parts.append(f"### `{name}`\n\n{(model.__doc__ or '').strip()}\n")
        parts.append(
            "| column | kind | unit | what it holds | expected | CF standard name | NetCDF |\n"
            "|---|---|---|---|---|---|---|"
        )
        parts.extend(_dictionary_row(name, c) for c in columns(model))
        parts.append("")
    return "\n".join(parts)


def _dictionary_row(table: str, c: Column) -> str:
    name = f"**`{c.name}`**" if c.key else f"`{c.name}`"
    longest = f" of at most {c.longest:,} characters" if c.longest else ""
    needed = f"{c.expected}{longest}{'; required' if c.required else ''}"
    variable = c.variable(table) if table in WITH_NETCDF else None
    cells = (name, c.kind, c.units or "", c.description, needed, c.standard_name or "", _in_netcdf(table, c, variable))
    return "| " + " | ".join(cells) + " |"


def _in_netcdf(table: str, c: Column, variable: Variable | None) -> str:
    if variable is not None:
        return f"`{variable.name}`"
    return f"left out: {c.left_out}" if table in WITH_NETCDF else ""
