"""Plain descriptions read off the models: what Parquet, NetCDF, Table Schema and the data dictionary are made from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from schemas.base import Table

Kind = Literal["text", "number", "count", "flag", "time"]

_KINDS: dict[str, Kind] = {"float64": "number", "Int64": "count", "boolean": "flag", "datetime64[us, UTC]": "time"}
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
    meta = spec.metadata
    limits = {check.name: check.statistics for check in spec.checks}
    words = limits.get("isin", {}).get("allowed_values")
    return Column(
        name=name,
        kind=_KINDS.get(str(spec.dtype), "text"),
        description=spec.description,
        units=meta["units"],
        standard_name=meta["standard_name"],
        required=meta["required"],
        key=meta["key"],
        minimum=limits.get("greater_than_or_equal_to", {}).get("min_value"),
        above=limits.get("greater_than", {}).get("min_value"),
        maximum=limits.get("less_than_or_equal_to", {}).get("max_value"),
        words=tuple(words) if words else None,
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
            "| column | kind | unit | what it holds | expected | CF standard name |\n|---|---|---|---|---|---|"
        )
        parts.extend(_dictionary_row(c) for c in columns(model))
        parts.append("")
    return "\n".join(parts)


def _dictionary_row(c: Column) -> str:
    name = f"**`{c.name}`**" if c.key else f"`{c.name}`"
    needed = f"{c.expected}{'; required' if c.required else ''}"
    cells = (name, c.kind, c.units or "", c.description, needed, c.standard_name or "")
    return "| " + " | ".join(cells) + " |"
