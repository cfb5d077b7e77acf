"""Which rows of a foreign file are rows of a table, and numbers that a map counts. Reads no value."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from stillwell.intake.maps.map_file import Counted, TableLayout
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.sheet import Sheet
from stillwell.intake.values.cells import flag_array

Ints = NDArray[np.int64]


def chosen_rows(foreign: Sheet, table: TableLayout) -> tuple[Ints, list[str]]:
    """Choose the rows of a foreign file that are rows of a table.

    Parameters
    ----------
    foreign : Sheet
    table : TableLayout

    Returns
    -------
    int array, list of str
        Places of the rows, and notes on rows without a value.

    Raises
    ------
    CannotRead
        If a column is not there, or differs where the map says it does not.
    """
    taken = np.ones(foreign.lines.size, dtype=bool)
    for name in table.filled:
        taken &= filled(foreign.column(name))
    for name in table.empty:
        taken &= ~filled(foreign.column(name))
    notes = []
    for name, words in table.no_value.items():
        cells = foreign.column(name)
        lost = taken & flag_array(pc.is_in(cells, pa.array(words, pa.string())))
        taken &= ~lost
        if lost.any():
            notes.append(no_value_note(name, cells.filter(pa.array(lost)), foreign.lines[lost]))
    rows = np.flatnonzero(taken)
    return (_once(foreign, table, rows) if table.once_per else rows), notes


def no_value_note(name: str, cells: pa.StringArray, lines: Ints) -> str:
    """Say how many rows hold no value, under which words and on which lines."""
    counts = sorted((each["values"], each["counts"]) for each in pc.value_counts(cells).to_pylist())
    words = ", ".join(f"{word!r} {count:,}" for word, count in counts)
    where = f"lines {lines.min()} to {lines.max()}"
    return f"rows not taken, with no value in {name!r}: {lines.size:,} ({words}), {where}"


def counted_numbers(foreign: Sheet, rule: Counted) -> pa.StringArray:
    """Count rows from 1 within some columns, one more whenever others change.

    Parameters
    ----------
    foreign : Sheet
    rule : Counted

    Returns
    -------
    string array
        A number for every row of the file.
    """
    size = foreign.lines.size
    within = _codes([foreign.column(name) for name in rule.within], size)
    per = _codes([foreign.column(name) for name in rule.per], size) if rule.per else np.arange(size)
    order = np.argsort(within, kind="stable")
    begins = np.concatenate([[True], np.diff(within[order]) != 0])[:size]
    changes = begins | np.concatenate([[True], np.diff(per[order]) != 0])[:size]
    total = np.cumsum(changes)
    before = np.maximum.accumulate(np.where(begins, total - 1, 0))
    numbers = np.empty(size, dtype=np.int64)
    numbers[order] = total - before
    return pc.cast(pa.array(numbers), pa.string())


def filled(cells: pa.StringArray) -> NDArray[np.bool_]:
    """Say which cells hold something."""
    return flag_array(pc.not_equal(cells, ""))


def _once(foreign: Sheet, table: TableLayout, rows: Ints) -> Ints:
    """Keep the first row of each value of some columns, where the rest of what is taken is the same."""
    keys = _codes([foreign.column(name) for name in table.once_per], foreign.lines.size)[rows]
    _, first, member = np.unique(keys, return_index=True, return_inverse=True)
    of_times = [name for clock in table.times.values() for name in clock.named]
    worst: tuple[int, str] | None = None
    for name in (*table.columns, *of_times, *(name for how in table.derived.values() for name in how.named)):
        codes = _codes([foreign.column(name)], foreign.lines.size)[rows]
        differs = np.flatnonzero(codes != codes[first[member]])
        if differs.size and (worst is None or differs[0] < worst[0]):
            worst = int(differs[0]), name
    if worst is not None:
        place, name = worst
        row, begun = rows[place], rows[first[member[place]]]
        cells = foreign.column(name)
        expected = f"{name!r} the same wherever {', '.join(map(repr, table.once_per))} are, as the map says"
        actual = f"{cells[begun].as_py()!r} on line {foreign.lines[begun]} and {cells[row].as_py()!r}"
        raise CannotRead(expected, actual, int(foreign.lines[row]), name)
    return np.sort(rows[first])


def _codes(columns: Sequence[pa.StringArray], size: int) -> Ints:
    """Give equal rows of some columns one number."""
    out = np.zeros(size, dtype=np.int64)
    for column in columns:
        coded = column.dictionary_encode()
        pairs = out * len(coded.dictionary) + coded.indices.to_numpy()
        out = np.unique(pairs, return_inverse=True)[1] if len(columns) > 1 else pairs
    return out
