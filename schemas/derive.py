"""Plain descriptions read off the models: what Parquet, NetCDF, Table Schema and the data dictionary are made from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any, Literal

from stillwell.schemas.base import Empty, Table, TextKind, Thing, Variable

Kind = Literal["text", "number", "count", "flag", "time"]

_KINDS: dict[str, Kind] = {"float64": "number", "Int64": "count", "boolean": "flag", "datetime64[us, UTC]": "time"}
WITH_NETCDF = ("gaugings", "verticals", "points", "findings", "stage", "discharge", "daily")
"""Archive tables whose rows stand in NetCDF too."""
UDUNITS = MappingProxyType({"dB": "0.1 lg(re 1)"})
"""How a unit that UDUNITS does not know by its name is written for it."""
_JSON_TYPES = {"text": "string", "number": "number", "count": "integer", "flag": "boolean", "time": "datetime"}


@dataclass(frozen=True)
class Column:
    """One column as its model defines it."""

    name: str
    kind: Kind
    description: str
    units: str | None
    standard_name: str | None
    required: bool
    key: bool
    minimum: float | None
    above: float | None
    maximum: float | None
    words: tuple[str, ...] | None
    text: TextKind = "code"
    """Which characters it may hold; of columns of text without a closed list."""
    names: Thing | None = None
    """Which kind of thing its codes name."""
    longest: int | None = None
    """Characters of a cell of text."""
    roles: tuple[str, ...] = ()
    empty: Empty | None = None
    netcdf: Variable | None = None
    left_out: str = ""

    def variable(self, table: str) -> Variable | None:
        """Return the variable it becomes in the NetCDF of a table, None where it becomes none."""
        return self.netcdf if self.netcdf and (not self.netcdf.tables or table in self.netcdf.tables) else None

    @property
    def text_expected(self) -> str:
        """What a cell of text must be, in words for an error message."""
        if self.text == "words":
            return f"text of at most {self.longest} characters, none of them a control character or change of direction"
        return f"a code or label of at most {self.longest} characters, all of them visible and not dots alone"

    @property
    def expected(self) -> str:
        """What a value must be, in words for an error message."""
        unit = f" {self.units}" if self.units and self.units != "1" else ""
        if self.words:
            return "one of " + ", ".join(self.words)
        if self.minimum is not None and self.maximum is not None:
            return f"{self.minimum:g} to {self.maximum:g}{unit}"
        if self.above is not None and self.maximum is not None:
            return f"above {self.above:g} up to {self.maximum:g}{unit}"
        if self.minimum is not None:
            return f"{self.minimum:g}{unit} or more"
        if self.above is not None:
            return f"above {self.above:g}{unit}"
        nouns = {"text": "text", "number": "a number", "count": "a whole number", "flag": "true or false"}
        return nouns.get(self.kind, "a time with its offset") + unit


@cache
def columns(model: type[Table]) -> tuple[Column, ...]:
    """Describe a model's columns in order.

    Parameters
    ----------
    model : type of Table

    Returns
    -------
    tuple of Column
    """
    return tuple(_column(name, spec) for name, spec in model.to_schema().columns.items())


def _column(name: str, spec: Any) -> Column:
    meta, kind = spec.metadata, _KINDS.get(str(spec.dtype), "text")
    limits = {check.name: check.statistics for check in spec.checks}
    words = limits.get("isin", {}).get("allowed_values")
    return Column(
        name=name,
        kind=kind,
        description=spec.description,
        units=meta["units"],
        standard_name=meta["standard_name"],
        required=meta["required"],
        key=meta["key"],
        minimum=limits.get("greater_than_or_equal_to", {}).get("min_value"),
        above=limits.get("greater_than", {}).get("min_value"),
        maximum=limits.get("less_than_or_equal_to", {}).get("max_value"),
        words=tuple(words) if words else None,
        text=meta.get("text", "code"),
        names=meta.get("names"),
        longest=meta.get("longest") if kind == "text" and not words else None,
        roles=meta.get("roles", ()),
        empty=meta.get("empty"),
        netcdf=meta.get("netcdf"),
        left_out=meta.get("left_out", ""),
    )


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


@cache
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
    found = ((c, c.variable(table)) for c in columns(model))
    return tuple((c, variable) for c, variable in found if variable is not None and not variable.own)


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
