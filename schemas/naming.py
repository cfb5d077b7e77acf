"""Which columns hold codes, and what the codes name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from stillwell.schemas.base import Table, Thing
from stillwell.schemas.derive import columns

REGISTERS: Mapping[Thing, str] = MappingProxyType({"site": "sites", "instrument": "instruments", "rating": "ratings"})
"""Tables that register the codes of a kind of thing; codes of other kinds are known by the rows that use them."""
OF_A_SITE: frozenset[Thing] = frozenset({"gauge", "sensor"})
"""Kinds of things whose codes are unique within a site only."""


@dataclass(frozen=True)
class Naming:
    """A column of a table whose codes name things of one kind."""

    table: str
    column: str
    kind: Thing

    @property
    def registered(self) -> bool:
        """Whether a register holds the codes of the kind."""
        return self.kind in REGISTERS

    @property
    def registers(self) -> bool:
        """Whether a row of the table registers the code."""
        return REGISTERS.get(self.kind) == self.table and self.column == self.kind

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns that tell one thing of the kind from another; the code comes last."""
        return ("site", self.column) if self.kind in OF_A_SITE else (self.column,)


def naming(tables: Mapping[str, type[Table]]) -> tuple[Naming, ...]:
    """List the columns whose codes name something.

    Parameters
    ----------
    tables : mapping of str to model

    Returns
    -------
    tuple of Naming
        In the order of tables and columns.
    """
    return tuple(
        Naming(table, c.name, c.names) for table, model in tables.items() for c in columns(model) if c.names is not None
    )
