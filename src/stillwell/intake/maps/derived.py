"""Columns an intake map has made from a foreign one by a straight line, a range or a pressure. Computes none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType

from stillwell.intake.maps.lines import Part
from stillwell.intake.values.decimal_linear import Line
from stillwell.intake.values.units import Unit

LENGTHS: Mapping[str, Fraction] = MappingProxyType(
    {
        "m": Fraction(1),
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
        "ft": Fraction("0.3048"),
        "in": Fraction("0.0254"),
        "ftus": Fraction(1200, 3937),
    }
)
"""Units a length may be written in, in metres."""
PRESSURES: Mapping[str, Fraction] = MappingProxyType(
    {
        "Pa": Fraction(1),
        "hPa": Fraction(100),
        "kPa": Fraction(1000),
        "mbar": Fraction(100),
        "bar": Fraction(100_000),
        "psi": Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2,
    }
)
"""Units a pressure may be written in, in pascals."""
AIR = ("vented", "air", "air_column", "air_series")
DENSITY, GRAVITY = (900, 1300), (9.7, 9.9)


@dataclass(frozen=True)
class Derived:
    """A straight line through what a column holds."""

    column: str
    unit: str
    line: Line
    """To SI, from the figure as written."""

    @property
    def named(self) -> tuple[str, ...]:
        """Every foreign column it is made from."""
        return (self.column,)


@dataclass(frozen=True)
class FromPressure:
    """Stage from the pressure a sensor under water reads."""

    column: str
    unit: str
    sensor_m: float
    density_kg_m3: float
    gravity_m_s2: float
    air_pa: float = 0.0
    """0 where the sensor is open to the air; or what the map says."""
    air_column: str | None = None
    air_unit: str = "Pa"
    air_series: str | None = None
    bridged_s: float = 0.0

    @property
    def named(self) -> tuple[str, ...]:
        """Every foreign column it is made from."""
        return (self.column,) if self.air_column is None else (self.column, self.air_column)


def linear_from(part: Part, unit: Unit | None) -> Derived:
    """Read a straight line: our column, in the unit its name says, is ``factor`` times the cell plus ``constant``.

    Parameters
    ----------
    part : Part
    unit : Unit or None
        Unit of our column's name; None for SI.

    Returns
    -------
    Derived

    Raises
    ------
    MapError
        If something is missing or strange; names the line.
    """
    part.only("column", "unit", "factor", "constant")
    factor = part.number("factor")
    if factor == 0:
        raise part.refusal("factor", "a number other than 0", part.values["factor"])
    line = Line(Fraction(factor), Fraction(part.number("constant")))
    if unit is not None:
        to_si = Fraction(unit.numerator) / Fraction(unit.denominator)
        line = line.then(to_si, -Fraction(unit.zero) * to_si)
    return Derived(part.text("column"), part.text("unit"), line)


def range_from(part: Part) -> Derived:
    """Read a sensor that looks down on the water: ``stage = height of the sensor - range``."""
    part.only("column", "unit", *(f"sensor_{unit}" for unit in LENGTHS))
    metres = LENGTHS[part.one_of("unit", tuple(LENGTHS), "")]
    return Derived(part.text("column"), part.text("unit"), Line(-metres, _sensor(part)))


def pressure_from(part: Part) -> FromPressure:
    """Read a sensor under water: ``stage = height of the sensor + (pressure - air) / (density gravity)``."""
    heights = tuple(f"sensor_{unit}" for unit in LENGTHS)
    part.only("column", "unit", *heights, "density_kg_m3", "gravity_m_s2", *AIR, "air_unit", "bridged_s")
    given = [name for name in AIR if name in part.values]
    if len(given) != 1:
        raise part.refusal(given[-1] if given else "column", f"one of {', '.join(AIR)}", ", ".join(given) or "none")
    if given == ["vented"] and part.values["vented"] is not True:
        raise part.refusal("vented", "true, or one of " + ", ".join(AIR[1:]), part.values["vented"])
    for name, others in (("air_unit", ("air", "air_column")), ("bridged_s", ("air_series",))):
        if (name in part.values) != (given[0] in others):
            actual = part.values.get(name, "none")
            raise part.refusal(name, f"{name} with {' or '.join(others)}, and only there", actual)
    air_unit = part.one_of("air_unit", tuple(PRESSURES), "Pa")
    return FromPressure(
        column=part.text("column"),
        unit=part.one_of("unit", tuple(PRESSURES), ""),
        sensor_m=float(_sensor(part)),
        density_kg_m3=_within(part, "density_kg_m3", DENSITY),
        gravity_m_s2=_within(part, "gravity_m_s2", GRAVITY),
        air_pa=float(Fraction(part.number("air")) * PRESSURES[air_unit]) if given == ["air"] else 0.0,
        air_column=part.text("air_column") if given == ["air_column"] else None,
        air_unit=air_unit,
        air_series=part.text("air_series") if given == ["air_series"] else None,
        bridged_s=_within(part, "bridged_s", (1, 86_400)) if given == ["air_series"] else 0.0,
    )


def _sensor(part: Part) -> Fraction:
    """Read the height of a sensor above the gauge's zero, in m."""
    given = [name for name in (f"sensor_{unit}" for unit in LENGTHS) if name in part.values]
    if len(given) != 1:
        raise part.refusal("column", "one height of the sensor above the gauge's zero, as sensor_m", given or "none")
    return Fraction(part.number(given[0])) * LENGTHS[given[0].removeprefix("sensor_")]


def _within(part: Part, name: str, limits: tuple[float, float]) -> float:
    value = part.number(name)
    if not Decimal(str(limits[0])) <= value <= Decimal(str(limits[1])):
        raise part.refusal(name, f"{limits[0]} to {limits[1]}", part.values[name])
    return float(value)
