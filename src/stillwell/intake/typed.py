"""Convert sheets of text to frames with canonical names, units and types; each wrong cell is listed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from functools import cache

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.intake.limits import MOST_REASONS
from stillwell.intake.maps.map_file import map_spellings, table_columns
from stillwell.intake.problem_collector import CannotRead, ProblemCollector
from stillwell.intake.readers.sheet import BadCell, Sheet
from stillwell.intake.values import cells
from stillwell.intake.values.constant import missing, repeated
from stillwell.intake.values.rod_graduation import IN_FEET, off_graduation
from stillwell.intake.values.units import Unit, spellings
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.base import Column
from stillwell.schemas.derive import FRAME_TYPES, columns

TIME_EXPECTED = "a time with its offset, as in 2025-05-01T10:00+02:00"


def typed_tables(
    batch_sheets: Sequence[Sheet], collector: ProblemCollector
) -> tuple[dict[str, pd.DataFrame], dict[str, list[BadCell]]]:
    """Turn all sheets of a batch into one frame per table.

    Parameters
    ----------
    batch_sheets : sequence of Sheet
    collector : ProblemCollector
        Receives files that cannot be used as a whole as problems, unknown columns as notes.

    Returns
    -------
    dict of str to DataFrame, dict of str to list of BadCell
        Rows of every table of ``DEPOSIT_TABLES`` in the order handed in, and their cells that hold something else than
        they should.
    """
    tables: dict[str, pd.DataFrame] = {}
    bad: dict[str, list[BadCell]] = {}
    for name in DEPOSIT_TABLES:
        mine = [sheet for sheet in batch_sheets if sheet.table == name]
        tables[name], bad[name] = _table(name, mine, collector)
    return tables, bad


def _table(name: str, own_sheets: Sequence[Sheet], collector: ProblemCollector) -> tuple[pd.DataFrame, list[BadCell]]:
    """Read the sheets of a table, those of one header together, into rows in the order handed in."""
    groups: dict[tuple[object, ...], list[Sheet]] = defaultdict(list)
    for sheet in own_sheets:
        kinds = tuple(str(column.type) for column in sheet.cells)
        groups[(sheet.header, sheet.shown, sheet.delimiter, kinds)].append(sheet)
    position = {id(sheet): i for i, sheet in enumerate(own_sheets)}
    frames: list[pd.DataFrame] = []
    bad: list[BadCell] = []
    order: list[np.ndarray] = []
    for members in groups.values():
        frame, cells_of_group, usable = _group(name, members, collector)
        if usable:
            start = sum(map(len, frames))
            bad += [cell._replace(row=cell.row + start) for cell in cells_of_group]
            order.append(np.repeat([position[id(m)] for m in usable], [len(m.lines) for m in usable]))
            frames.append(frame)
    if len(frames) < 2:
        return (frames[0] if frames else _empty(name)), sorted(bad)
    frame = pd.concat(frames, ignore_index=True)
    by_file = np.argsort(np.concatenate(order), kind="stable")
    place = np.empty(by_file.size, dtype=np.int64)
    place[by_file] = np.arange(by_file.size)
    bad = sorted(cell._replace(row=int(place[cell.row])) for cell in bad)
    return frame.iloc[by_file].reset_index(drop=True), bad


def _empty(name: str) -> pd.DataFrame:
    return _without_rows(name).copy(deep=False)  # copied when it is written to


@cache
def _without_rows(name: str) -> pd.DataFrame:
    return pd.DataFrame({c.name: _without_cells(c.kind) for c in columns(DEPOSIT_TABLES[name])})


@cache
def _without_cells(kind: str) -> pd.Series:
    # most tables of a deposit are empty, and making their columns one by one is a good part of taking a small one in
    return pd.Series(dtype=FRAME_TYPES[kind])


def _group(
    name: str, members: list[Sheet], collector: ProblemCollector
) -> tuple[pd.DataFrame, list[BadCell], list[Sheet]]:
    """Read the sheets of one header; files that cannot be used as a whole become problems and are left out."""
    known = table_columns(name)
    header, shown = members[0].header, members[0].shown
    names = map_spellings(known) if shown else spellings(known)
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
            return _empty(name), [], []
        chosen[canonical] = (i, shown[i] if shown else given, unit)
    unknown = [given for given in header if given not in names]
    for member in members if any(unknown) else ():
        listed = ", ".join(given or "(without a name)" for given in unknown)
        collector.note(member.deposit, member.file, f"unknown columns stay in the sealed bytes: {listed}")
    members, marks = _decimal_marks(name, members, known, chosen, collector)
    if not members:
        return _empty(name), [], []
    if name == "points":
        _note_graduations(members, chosen, marks, collector)
    return *_converted(known, members, chosen, marks), members


def _note_graduations(
    members: list[Sheet],
    chosen: dict[str, tuple[int, str, Unit | None]],
    marks: list[str],
    collector: ProblemCollector,
) -> None:
    """Note depths in feet that are not on a graduation of the rod."""
    places = [chosen[name][0] for name in ("gauging", "vertical", "depth_m") if name in chosen]
    if len(places) < 3 or members[0].header[places[2]] not in IN_FEET:
        return
    for member, mark in zip(members, marks, strict=True):
        gauging, vertical, depth = (member.cells[place] for place in places)
        for note in off_graduation(gauging, vertical, _joined([depth], [mark])):
            collector.note(member.deposit, member.file, note)


def _decimal_marks(
    name: str,
    members: list[Sheet],
    known: dict[str, Column],
    chosen: dict[str, tuple[int, str, Unit | None]],
    collector: ProblemCollector,
) -> tuple[list[Sheet], list[str]]:
    usable, marks = [], []
    for member in members:
        of_numbers = [member.cells[i] for c, (i, _, _) in chosen.items() if known[c].kind == "number"]
        of_numbers = [column for column in of_numbers if pa.types.is_string(column.type)]
        try:
            marks.append(cells.decimal_mark(of_numbers, member.delimiter))
            usable.append(member)
        except CannotRead as reason:
            collector.file(member.deposit, name, member.file, reason)
            continue
        if marks[-1] == ",":
            collector.note(member.deposit, member.file, "numbers are written with a decimal comma")
    return usable, marks


def _converted(
    known: dict[str, Column],
    members: list[Sheet],
    chosen: dict[str, tuple[int, str, Unit | None]],
    marks: list[str],
) -> tuple[pd.DataFrame, list[BadCell]]:
    sizes = [len(m.lines) for m in members]
    total = sum(sizes)
    lines = np.concatenate([m.lines for m in members])
    out: dict[str, pd.Series] = {
        "deposit": repeated([m.deposit for m in members], sizes),
        "row_file": repeated([m.file for m in members], sizes),
        "row_line": pd.Series(lines, dtype="Int64"),
    }
    bad: list[BadCell] = []
    for name, column in known.items():
        if name not in chosen:
            out[name] = missing(column.kind, total)
            continue
        place, given, unit = chosen[name]
        text = _joined([m.cells[place] for m in members], marks if column.kind == "number" else None)
        values, wrong = _values(column, unit, text, out)
        out[name] = values
        expected = {"time": TIME_EXPECTED, "text": column.text_expected}.get(column.kind, column.expected)
        for row in _listed_rows(wrong, sizes):
            bad.append(BadCell(int(row), given, expected, repr(text[int(row)].as_py())))
    for start, member in zip(np.cumsum([0, *sizes])[:-1], members, strict=True):
        bad += [cell._replace(row=int(start) + cell.row) for cell in member.bad]
    return pd.DataFrame(out, copy=False), bad


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
        values, wrong = cells.numbers(text, unit)
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
