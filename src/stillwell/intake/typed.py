"""Convert sheets of text to frames with canonical names, units and types; each wrong cell is listed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.intake.limits import MOST_REASONS
from stillwell.intake.maps.map_file import map_spellings
from stillwell.intake.problem_collector import CannotRead, ProblemCollector
from stillwell.intake.unpack import FoundSheet
from stillwell.intake.values import cells
from stillwell.intake.values.constant import missing, repeated
from stillwell.intake.values.rod_graduation import IN_FEET, off_graduation
from stillwell.intake.values.units import Unit, spellings
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.base import Column
from stillwell.schemas.cells import DTYPES
from stillwell.schemas.derive import columns

TIME_EXPECTED = "a time with its offset, as in 2025-05-01T10:00+02:00"


@dataclass
class Typed:
    """A table of the batch, and the cells of it that hold something else than they should."""

    frame: pd.DataFrame
    bad: list[tuple[int, str, str, str]] = field(default_factory=list)
    """Row, column as handed in, what was expected, what was found."""


def typed_tables(batch_sheets: Sequence[FoundSheet], collector: ProblemCollector) -> dict[str, Typed]:
    """Turn all sheets of a batch into one frame per table.

    Parameters
    ----------
    batch_sheets : sequence of FoundSheet
    collector : ProblemCollector
        Receives files that cannot be used as a whole as problems, unknown columns as notes.

    Returns
    -------
    dict of str to Typed
        Every table of ``DEPOSIT_TABLES``, in the order handed in.
    """
    by_table: dict[str, list[FoundSheet]] = defaultdict(list)
    for sheet in batch_sheets:
        by_table[sheet.table].append(sheet)
    return {name: _table(name, by_table.get(name, []), collector) for name in DEPOSIT_TABLES}


def _table(name: str, found_sheets: Sequence[FoundSheet], collector: ProblemCollector) -> Typed:
    groups: dict[tuple[object, ...], list[FoundSheet]] = defaultdict(list)
    for sheet in found_sheets:
        kinds = tuple(str(column.type) for column in sheet.sheet.cells)
        groups[(sheet.sheet.header, sheet.shown, sheet.sheet.delimiter, kinds)].append(sheet)
    parts = [_group(name, members, collector) for members in groups.values()]
    whole = Typed(_empty(name))
    order: list[np.ndarray] = []
    position = {id(sheet): i for i, sheet in enumerate(found_sheets)}
    frames, start = [], 0
    for part, members in parts:
        frames.append(part.frame)
        whole.bad += [(row + start, given, expected, actual) for row, given, expected, actual in part.bad]
        order.append(np.repeat([position[id(m)] for m in members], [len(m.sheet.lines) for m in members]))
        start += len(part.frame)
    if not frames:
        return whole
    if len(frames) == 1 and len(parts[0][1]) == 1:
        whole.frame = frames[0]
        whole.bad.sort()
        return whole
    frame = pd.concat(frames, ignore_index=True)
    by_file = np.argsort(np.concatenate(order), kind="stable")
    place = np.empty(by_file.size, dtype=np.int64)
    place[by_file] = np.arange(by_file.size)
    whole.frame = frame.iloc[by_file].reset_index(drop=True)
    whole.bad = sorted((int(place[row]), given, expected, actual) for row, given, expected, actual in whole.bad)
    return whole


def _empty(name: str) -> pd.DataFrame:
    return _without_rows(name).copy(deep=False)  # copied when it is written to


@cache
def _without_rows(name: str) -> pd.DataFrame:
    return pd.DataFrame({c.name: pd.Series(dtype=DTYPES[c.kind]) for c in columns(DEPOSIT_TABLES[name])})


def _group(name: str, members: list[FoundSheet], collector: ProblemCollector) -> tuple[Typed, list[FoundSheet]]:
    """Read the sheets of one header; files that cannot be used as a whole become problems and are left out."""
    model = DEPOSIT_TABLES[name]
    known = {c.name: c for c in columns(model) if "filled" not in c.roles}
    shown = members[0].shown
    names = map_spellings(known) if shown else spellings(known)
    header = members[0].sheet.header
    chosen: dict[str, tuple[int, str, Unit | None]] = {}
    for i, given in enumerate(header):
        canonical, unit = names.get(given, (None, None))
        if canonical is None:
            continue
        if canonical in chosen:
            other = chosen[canonical][1]
            reason = CannotRead("one column for a quantity", f"both {other} and {given}", 1, given)
            for member in members:
                collector.file(member.deposit, name, member.file, reason)
            return Typed(_empty(name)), []
        chosen[canonical] = (i, shown[i] if shown else given, unit)
    unknown = [given for given in header if given not in names]
    for member in members if any(unknown) else ():
        listed = ", ".join(given or "(without a name)" for given in unknown)
        collector.note(member.deposit, member.file, f"unknown columns stay in the sealed bytes: {listed}")
    members, marks = _decimal_marks(name, members, known, chosen, collector)
    if not members:
        return Typed(_empty(name)), []
    if name == "points":
        _note_graduations(members, chosen, marks, collector)
    return _converted(known, members, chosen, marks), members


def _note_graduations(
    members: list[FoundSheet],
    chosen: dict[str, tuple[int, str, Unit | None]],
    marks: list[str],
    collector: ProblemCollector,
) -> None:
    """Note depths in feet that are not on a graduation of the rod."""
    places = [chosen[name][0] for name in ("gauging", "vertical", "depth_m") if name in chosen]
    if len(places) < 3 or members[0].sheet.header[places[2]] not in IN_FEET:
        return
    for member, mark in zip(members, marks, strict=True):
        gauging, vertical, depth = (member.sheet.cells[place] for place in places)
        for note in off_graduation(gauging, vertical, _joined([depth], [mark])):
            collector.note(member.deposit, member.file, note)


def _decimal_marks(
    name: str,
    members: list[FoundSheet],
    known: dict[str, Column],
    chosen: dict[str, tuple[int, str, Unit | None]],
    collector: ProblemCollector,
) -> tuple[list[FoundSheet], list[str]]:
    usable, marks = [], []
    for member in members:
        of_numbers = [member.sheet.cells[i] for c, (i, _, _) in chosen.items() if known[c].kind == "number"]
        of_numbers = [column for column in of_numbers if pa.types.is_string(column.type)]
        try:
            marks.append(cells.decimal_mark(of_numbers, member.sheet.delimiter))
            usable.append(member)
        except CannotRead as reason:
            collector.file(member.deposit, name, member.file, reason)
            continue
        if marks[-1] == ",":
            collector.note(member.deposit, member.file, "numbers are written with a decimal comma")
    return usable, marks


def _converted(
    known: dict[str, Column],
    members: list[FoundSheet],
    chosen: dict[str, tuple[int, str, Unit | None]],
    marks: list[str],
) -> Typed:
    sizes = [len(m.sheet.lines) for m in members]
    total = sum(sizes)
    lines = np.concatenate([m.sheet.lines for m in members]) if members else np.zeros(0, dtype=np.int64)
    out: dict[str, pd.Series] = {
        "deposit": repeated([m.deposit for m in members], sizes),
        "row_file": repeated([m.file for m in members], sizes),
        "row_line": pd.Series(lines, dtype="Int64"),
    }
    bad: list[tuple[int, str, str, str]] = []
    for name, column in known.items():
        if name not in chosen:
            out[name] = missing(column.kind, total)
            continue
        place, given, unit = chosen[name]
        text = _joined([m.sheet.cells[place] for m in members], marks if column.kind == "number" else None)
        values, wrong = _values(column, unit, text, out)
        out[name] = values
        expected = {"time": TIME_EXPECTED, "text": column.text_expected}.get(column.kind, column.expected)
        for row in _listed_rows(wrong, sizes):
            bad.append((int(row), given, expected, repr(text[int(row)].as_py())))
    for start, member in zip(np.cumsum([0, *sizes])[:-1], members, strict=True):
        bad += [(int(start) + cell.row, member.shown[cell.place], cell.expected, cell.actual) for cell in member.bad]
    return Typed(pd.DataFrame(out, copy=False), bad)


def _listed_rows(wrong: cells.Bad, sizes: list[int]) -> np.ndarray:
    """Return the rows of wrong cells, of each file no more than make its deposit go back whole."""
    rows = np.flatnonzero(wrong)
    if rows.size <= MOST_REASONS:
        return rows
    parts = np.split(rows, np.searchsorted(rows, np.cumsum(sizes)[:-1]))
    return np.concatenate([part[: MOST_REASONS + 1] for part in parts])


def _values(
    column: Column, unit: Unit | None, text: pa.StringArray, out: dict[str, pd.Series]
) -> tuple[pd.Series, cells.Bad]:
    if not pa.types.is_string(text.type):
        return _read_by_the_map(text), np.zeros(len(text), dtype=bool)
    if column.kind == "time":
        moments, offsets, wrong = cells.times(text)
        if column.name == "started_at":
            out["offset_given"] = offsets
        return moments, wrong
    return cells.each_once(text, lambda part: _read(column, unit, part))


def _read(column: Column, unit: Unit | None, text: pa.StringArray) -> tuple[pd.Series, cells.Bad]:
    if column.kind == "number":
        values, wrong = cells.numbers(text, unit, ".")
        return pd.Series(values), wrong
    if column.kind == "count":
        return cells.counts(text)
    if column.kind == "flag":
        return cells.flags(text)
    return cells.texts(text, column)


def _read_by_the_map(values: pa.Array) -> pd.Series:
    """Take a column that a map has read already: times in UTC, or numbers in SI."""
    if pa.types.is_timestamp(values.type):
        moments = values.to_numpy(zero_copy_only=False).astype("datetime64[us]")
        return pd.Series(pd.DatetimeIndex(moments, tz="UTC"))
    return pd.Series(values.to_numpy(zero_copy_only=False))


def _joined(parts: list[pa.Array], marks: list[str] | None) -> pa.Array:
    if marks is not None and pa.types.is_string(parts[0].type):
        parts = [pc.replace_substring(p, ",", ".") if m == "," else p for p, m in zip(parts, marks, strict=True)]
    return parts[0] if len(parts) == 1 else pa.concat_arrays(parts)
