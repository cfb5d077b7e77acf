"""Columns a map has computed: straight lines on the digits, stage from pressure. Judges form, not value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from stillwell.hydrometry.stage.convert import barometer_at, stage_from_pressure
from stillwell.intake.maps.derived import PRESSURES, Derived, FromPressure
from stillwell.intake.maps.map_file import FileLayout, SeriesLayout
from stillwell.intake.maps.times import moments
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.sheet import Sheet
from stillwell.intake.values.cells import flag_array, with_point
from stillwell.intake.values.decimal_linear import Line, on_line
from stillwell.intake.values.wall_times import Ints

Floats = NDArray[np.float64]
Bad = list[tuple[int, str, str]]
"""Row, what was expected and what was found."""


@dataclass(frozen=True)
class AirSeries:
    """Pressure of the air as another file of the deposit gives it."""

    time_us: Ints
    """Rising."""
    air_pa: Floats
    file: str


def number_cells(texts: pa.StringArray, decimal: str, expected: str) -> tuple[pa.StringArray, Bad]:
    """Read cells as numbers written with one decimal mark.

    Parameters
    ----------
    texts : string array
    decimal : str
    expected : str
        What the column is, for what is said of a cell that is no number.

    Returns
    -------
    string array, list
        Digits with a point, blank where there is no number; and the cells that hold something else.
    """
    plain, good = with_point(texts, decimal)
    wrong = np.flatnonzero(flag_array(pc.invert(pc.or_(good, pc.equal(texts, "")))))
    words = f"{expected}, written with a decimal {'point' if decimal == '.' else 'comma'}"
    bad = [(int(row), words, repr(texts[int(row)].as_py())) for row in wrong]
    return (pc.if_else(good, plain, "") if wrong.size else plain), bad


def derived_values(
    texts: Mapping[str, pa.StringArray],
    how: Derived | FromPressure,
    decimal: str,
    time_us: Ints | None,
    series: Mapping[str, AirSeries],
) -> tuple[Floats, pa.StringArray, Bad]:
    """Compute a column.

    Parameters
    ----------
    texts : mapping of str to string array
        Foreign columns by name.
    how : Derived or FromPressure
    decimal : str
    time_us : int array or None
        Times of the rows, microseconds since 1970 in UTC; None where the table has none.
    series : mapping of str to AirSeries

    Returns
    -------
    float array, string array, list
        The column in SI, NaN where there is none; digits of what it was made from, with a point; cells that could
        not be read.
    """
    digits, bad = number_cells(texts[how.column], decimal, f"a number of {how.unit}")
    present = pc.if_else(pc.equal(digits, ""), None, digits)
    if isinstance(how, Derived):
        return on_line(present, how.line), digits, bad
    pressure = on_line(present, _pascals(how.unit))
    air: float | Floats = how.air_pa
    if how.air_column is not None:
        of_air, more = number_cells(texts[how.air_column], decimal, f"a number of {how.air_unit}")
        bad += more
        air = on_line(pc.if_else(pc.equal(of_air, ""), None, of_air), _pascals(how.air_unit))
    elif how.air_series is not None and time_us is not None:
        known = series[how.air_series]
        air = barometer_at(time_us, known.time_us, known.air_pa, how.bridged_s)
    return stage_from_pressure(pressure, how.sensor_m, how.density_kg_m3, how.gravity_m_s2, air), digits, bad


def air_series(foreign: Sheet, layout: FileLayout, how: SeriesLayout, file: str) -> AirSeries:
    """Read pressures of the air from a file.

    Parameters
    ----------
    foreign : Sheet
    layout : FileLayout
    how : SeriesLayout
    file : str
        Name of the file.

    Returns
    -------
    AirSeries
        In the order of time; rows without a value are left out.

    Raises
    ------
    CannotRead
        If a time or a number cannot be read, or one time has two pressures.
    """
    cells = foreign.column(how.column)
    keep = ~flag_array(pc.is_in(cells, pa.array([*how.no_value, ""], pa.string())))
    lines, kept = foreign.lines[keep], pa.array(keep)
    digits, bad = number_cells(cells.filter(kept), layout.decimal, f"a number of {how.unit}")
    times = moments({name: foreign.column(name).filter(kept) for name in how.time.named}, how.time, layout.decimal)
    blank = [(int(row), "a time", "nothing") for row in np.flatnonzero(~times.known)]
    for row, expected, actual in [*bad, *times.bad, *blank]:
        raise CannotRead(expected, actual, int(lines[row]), how.column)
    air = on_line(digits, _pascals(how.unit))
    return one_series([AirSeries(times.time_us, air, file)], how.name)


def one_series(parts: list[AirSeries], name: str) -> AirSeries:
    """Put files of one series together, in the order of time, each time once."""
    time = np.concatenate([part.time_us for part in parts])
    air = np.concatenate([part.air_pa for part in parts])
    order = np.argsort(time, kind="stable")
    time, air = time[order], air[order]
    again = np.flatnonzero(np.diff(time) == 0)
    differs = again[air[again] != air[again + 1]]
    files = ", ".join(part.file for part in parts)
    if differs.size:
        when = np.datetime_as_string(time[differs[:1]].view("datetime64[us]"), unit="s")[0]
        actual = f"{air[differs[0]]:g} Pa and {air[differs[0] + 1]:g} Pa at {when}Z in {files}"
        raise CannotRead(f"one pressure of the air at a time in {name!r}", actual)
    first = np.concatenate([[True], np.diff(time) != 0])[: time.size]
    return AirSeries(time[first], air[first], files)


def _pascals(unit: str) -> Line:
    return Line(PRESSURES[unit], Fraction(0))
