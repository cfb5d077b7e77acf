"""Columns in other units to SI, exactly: decimal arithmetic on the digits as written, rounded once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType


@dataclass(frozen=True)
class Unit:
    """``si = (value - zero) * numerator / denominator``."""

    numerator: Decimal
    denominator: Decimal = Decimal(1)
    zero: Decimal = Decimal(0)


_FOOT = Decimal("0.3048")
SUFFIXES: Mapping[str, Mapping[str, Unit]] = MappingProxyType(
    {
        "_m3_s": {"_ft3_s": Unit(_FOOT**3), "_l_s": Unit(Decimal(1), Decimal(1000))},
        "_m_s": {
            "_ft_s": Unit(_FOOT),
            "_cm_s": Unit(Decimal(1), Decimal(100)),
            "_mm_s": Unit(Decimal(1), Decimal(1000)),
        },
        "_km2": {"_mi2": Unit(Decimal("2.589988110336"))},
        "_m2": {"_ft2": Unit(_FOOT**2)},
        "_c": {"_f": Unit(Decimal(5), Decimal(9), Decimal(32))},
        "_m": {
            "_ft": Unit(_FOOT),
            "_in": Unit(Decimal("0.0254")),
            "_cm": Unit(Decimal(1), Decimal(100)),
            "_mm": Unit(Decimal(1), Decimal(1000)),
        },
    }
)
"""For each SI ending the endings that may stand in its place. The foot is the international one, 0.3048 m exactly."""


def spellings(names: Iterable[str]) -> dict[str, tuple[str, Unit | None]]:
    """Map every spelling a column may be handed in under to its canonical name and unit.

    Parameters
    ----------
    names : iterable of str
        Canonical names.

    Returns
    -------
    dict of str to (str, Unit or None)
    """
    names = tuple(names)
    known: dict[str, tuple[str, Unit | None]] = {}
    for name in names:
        for ending, others in SUFFIXES.items():
            if name.endswith(ending):
                known |= {name.removesuffix(ending) + other: (name, unit) for other, unit in others.items()}
                break
    return known | {name: (name, None) for name in names}


def converted(digits: str, unit: Unit) -> float:
    """Convert a number as written to SI, rounded once.

    Parameters
    ----------
    digits : str
        A decimal number.
    unit : Unit

    Returns
    -------
    float
    """
    return float((Decimal(digits) - unit.zero) * unit.numerator / unit.denominator)
