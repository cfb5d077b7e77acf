"""An intake map applied to a file: foreign columns become sheets of ours. Judges no value but its form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import PurePosixPath

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.intake.maps.clocks import Clock
from stillwell.intake.maps.derived import FromPressure
from stillwell.intake.maps.map_file import FileLayout, Map, TableLayout, map_spellings, table_columns
from stillwell.intake.maps.rows import chosen_rows, counted_numbers, filled
from stillwell.intake.maps.text import read_foreign
from stillwell.intake.maps.times import Moments, moments
from stillwell.intake.maps.values import AirSeries, Bad, air_series, derived_values, number_cells
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.sheet import BadCell, Sheet
from stillwell.intake.values.wall_times import MINUTE_US, Flags, Ints, offset_text

RAW, RAW_UNIT, RAW_OF = "raw_value", "raw_unit", "stage_m"
"""Where the figure as written is kept, and its unit, when this column is made from it."""


def described(path: str, intake_map: Map) -> FileLayout | None:
    """Find how a map describes a file.

    Parameters
    ----------
    path : str
        Path inside the deposit.
    intake_map : Map

    Returns
    -------
    FileLayout or None
        None where the map is silent about it.

    Raises
    ------
    CannotRead
        If the map describes it more than once.
    """
    plain = path.replace("\\", "/").lower()
    name = PurePosixPath(plain).name
    layouts = [
        layout
        for layout in intake_map.files
        if any(fnmatchcase(plain if "/" in pattern else name, pattern.lower()) for pattern in layout.match)
    ]
    if len(layouts) > 1:
        patterns = " and ".join(", ".join(layout.match) for layout in layouts)
        raise CannotRead("a map that describes every file once", f"{patterns}, which all match {path}")
    return layouts[0] if layouts else None


def mapped_tables(
    path: str, data: bytes, layout: FileLayout, series: Mapping[str, AirSeries] | None = None
) -> list[tuple[str, Sheet]]:
    """Read a foreign file into the tables it feeds.

    Parameters
    ----------
    path : str
    data : bytes
    layout : FileLayout
    series : mapping of str to AirSeries, optional
        Pressures of the air from other files of the deposit.

    Returns
    -------
    list of (str, Sheet)
        Table and its rows under our names, in the order of the map; ``lines`` are those of the foreign file. Columns
        the map says nothing of are named in the notes of the first.

    Raises
    ------
    CannotRead
        If the file is not written as the map says, or lacks a column it names.
    """
    foreign = read_foreign(path, data, layout)
    tables = [(how.table, _Mapping(foreign, how, layout, series or {}).sheet()) for how in layout.tables]
    named = set(layout.ignored).union(*(t.named for t in layout.tables), *(s.named for s in layout.series))
    left = [name for name in (*foreign.once, *foreign.repeated) if name not in named]
    notes = foreign.notes
    if left:
        notes += (f"columns the map does not name stay in the sealed bytes: {', '.join(left)}",)
    if tables and notes:
        table, sheet = tables[0]
        tables[0] = table, replace(sheet, notes=(*notes, *sheet.notes))
    return tables


def series_in(path: str, data: bytes, intake_map: Map) -> list[tuple[str, AirSeries]]:
    """Read what a file holds for the other files of its deposit.

    Parameters
    ----------
    path : str
    data : bytes
    intake_map : Map

    Returns
    -------
    list of (str, AirSeries)
        By the names the map gives; empty for most files.

    Raises
    ------
    CannotRead
        If the file cannot be read.
    """
    layout = described(path, intake_map)
    if layout is None or not layout.series:
        return []
    foreign = read_foreign(path, data, layout)
    return [(how.name, air_series(foreign, layout, how, path)) for how in layout.series]


@dataclass
class _Mapping:
    """One table of a foreign file while it is put together."""

    foreign: Sheet
    table: TableLayout
    layout: FileLayout
    series: Mapping[str, AirSeries]
    rows: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    header: list[str] = field(default_factory=list)
    shown: list[str] = field(default_factory=list)
    columns: list[pa.Array] = field(default_factory=list)
    bad: list[BadCell] = field(default_factory=list)
    times: Moments | None = None

    def sheet(self) -> Sheet:
        self.rows, notes = chosen_rows(self.foreign, self.table)
        for given, ours in self.table.columns.items():
            self._renamed(given, ours)
        for ours, clock in self.table.times.items():
            self._timed(ours, clock)
        for ours, rule in self.table.counted.items():
            self._take(ours, f"{ours}, counted by the map", self._chosen(counted_numbers(self.foreign, rule)))
        for ours, value in self.table.constants.items():
            self._take(ours, f"{ours}, set by the map", pa.repeat(value, self.rows.size))
        keep = np.ones(self.rows.size, dtype=bool)
        for ours in self.table.derived:
            keep &= self._derived(ours)
        lines, columns, bad = self.foreign.lines[self.rows], self.columns, self.bad
        if not keep.all():
            notes.append(without_air_note(lines[~keep]))
            place = np.cumsum(keep) - 1
            columns = [column.filter(pa.array(keep)) for column in columns]
            bad = [cell._replace(row=int(place[cell.row])) for cell in bad if keep[cell.row]]
        # numbers have a point by now, whatever the file is separated by
        return Sheet(tuple(self.header), tuple(columns), lines[keep], ";", tuple(notes), tuple(self.shown), tuple(bad))

    def _take(self, ours: str, given: str, cells: pa.Array, bad: Bad | None = None) -> None:
        self.bad += [BadCell(row, given, expected, actual) for row, expected, actual in bad or ()]
        self.header.append(ours)
        self.shown.append(given)
        self.columns.append(cells)

    def _chosen(self, cells: pa.StringArray) -> pa.StringArray:
        return cells if self.rows.size == len(cells) else cells.take(pa.array(self.rows))

    def _texts(self, names: Sequence[str]) -> dict[str, pa.StringArray]:
        return {name: self._chosen(self.foreign.column(name)) for name in names}

    def _renamed(self, given: str, ours: str) -> None:
        known = table_columns(self.table.table)
        canonical, unit = map_spellings(known)[ours]
        cells, bad = self._chosen(self.foreign.column(given)), None
        words = self.table.words.get(ours, {})
        place = pc.index_in(pc.if_else(pc.equal(cells, ""), None, cells), pa.array(list(words), pa.string()))
        meant = pc.take(pa.array(list(words.values()), pa.string()), place)
        if known[canonical].kind == "number":
            left = pc.if_else(pc.is_null(place), cells, "")
            cells, bad = number_cells(left, self.layout.decimal, known[canonical].expected)
        self._take(ours, given, pc.coalesce(meant, cells) if words else cells, bad)
        if canonical == RAW_OF and unit is not None and not words:
            self._keep_raw(self._chosen(self.foreign.column(given)), ours.removeprefix(RAW_OF.removesuffix("m")))

    def _timed(self, ours: str, clock: Clock) -> None:
        times = moments(self._texts(clock.named), clock, self.layout.decimal)
        self.times = times
        cells = pa.array(times.time_us, pa.timestamp("us", "UTC"), mask=~times.known)
        given = " + ".join(clock.named)
        self._take(ours, given, iso_texts(times) if ours == "started_at" else cells, times.bad)

    def _derived(self, ours: str) -> Flags:
        """Compute a column; say which rows stay, those another file gives no pressure of the air for do not."""
        how = self.table.derived[ours]
        of_air = isinstance(how, FromPressure) and how.air_series is not None
        if isinstance(how, FromPressure) and how.air_series is not None and how.air_series not in self.series:
            raise CannotRead(f"a file of the deposit that holds the series {how.air_series!r}", "none")
        time_us = None if self.times is None else self.times.time_us
        values, digits, bad = derived_values(self._texts(how.named), how, self.layout.decimal, time_us, self.series)
        canonical = map_spellings(table_columns(self.table.table))[ours][0]
        self._take(canonical, how.column, pa.array(values), bad)
        if canonical == RAW_OF:
            self._keep_raw(self._chosen(self.foreign.column(how.column)), how.unit)
        if not of_air or self.times is None:
            return np.ones(values.size, dtype=bool)
        return ~(np.isnan(values) & filled(digits) & self.times.known)

    def _keep_raw(self, written: pa.StringArray, unit: str) -> None:
        if RAW in table_columns(self.table.table) and not {RAW, RAW_UNIT} & self.table.fed:
            self._take(RAW, f"{RAW}, kept by the map", written)
            self._take(RAW_UNIT, f"{RAW_UNIT}, kept by the map", pa.repeat(unit, len(written)))


def without_air_note(lines: Ints) -> str:
    """Return the note with the number of rows without an air pressure at their time."""
    where = f"lines {lines.min()} to {lines.max()}"
    return f"rows not taken, without a pressure of the air at their time: {lines.size:,}, {where}"


def iso_texts(times: Moments) -> pa.StringArray:
    """Write times in ISO 8601 with the offset they were given with; blank where there is none."""
    shown = np.datetime_as_string((times.time_us + times.offset_min * MINUTE_US).view("datetime64[us]"), unit="us")
    offsets = [offset_text(minutes) for minutes in times.offset_min.tolist()]
    words = pc.binary_join_element_wise(pa.array(shown.tolist(), pa.string()), pa.array(offsets, pa.string()), "")
    return pc.if_else(pa.array(times.known), words, "")
