"""Frames are held against their models without pandera, and called sound only where pandera finds nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pandera.pandas as pandera
import pytest
from pandera.errors import SchemaErrors

from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.base import Column
from stillwell.schemas.cells import DTYPES, follows, wrong_cells
from stillwell.schemas.derive import columns
from stillwell.schemas.validation import pandera_schema
from tests.making import frame

TYPES = [*DTYPES.values(), "object", "int64", "float32", "bool", "category", "string", "datetime64[ns, UTC]"]


def _refused(enforced: pandera.Column, cells: pd.Series) -> set[int]:
    """Ask pandera for the places of the cells that it refuses."""
    try:
        pandera.DataFrameSchema({"x": enforced.set_name("x")}).validate(cells.to_frame("x"), lazy=True)
    except SchemaErrors as error:
        return {int(place) for place in error.failure_cases["index"]}
    return set()


def _sound(name: str) -> pd.DataFrame:
    """Make two rows without a wrong cell."""
    row = {}
    for column in columns(ARCHIVE_TABLES[name]):
        least = column.minimum if column.minimum is not None else (column.above or 0) + 1
        row[column.name] = {
            "text": (column.words or ("x",))[0],
            "number": float(least),
            "count": int(least),
            "flag": True,
            "time": "2025-05-01T10:00Z",
        }[column.kind]
    return frame(name, [row, row], kept=True)


def _damaged(column: Column) -> list[object]:
    """List values that a column may not hold, or just still may."""
    if column.kind in ("number", "count"):
        limits = [limit for limit in (column.minimum, column.above, column.maximum) if limit is not None]
        step = 1 if column.kind == "count" else 1e-3
        beside = [limit + sign * step for limit in limits for sign in (-1, 0, 1)]
        whole = [int(value) for value in beside] if column.kind == "count" else [*beside, np.nan, np.inf, -np.inf]
        return [None, *whole]
    return [None, "no such word", ""] if column.kind == "text" else [None]


@pytest.mark.parametrize("name", ARCHIVE_TABLES)
def test_a_cell_is_wrong_exactly_where_pandera_refuses_it(name):
    """A missing, strange or extreme cell in any column is judged as pandera judges it, and so is a sound one."""
    sound, model = _sound(name), ARCHIVE_TABLES[name]
    assert follows(sound, model)
    enforced = pandera_schema(model)
    assert enforced.validate(sound, lazy=True) is not None
    for column in columns(model):
        values = _damaged(column)
        assert values
        cells = pd.Series([sound[column.name][0], *values], dtype=sound[column.name].dtype)
        assert set(np.flatnonzero(wrong_cells(cells, column))) == _refused(enforced.columns[column.name], cells), column
        worst = sound.assign(**{column.name: cells.iloc[[0, -1]].to_numpy()}).astype(sound.dtypes)
        assert follows(worst, model) is not bool(wrong_cells(worst[column.name], column).any())


@pytest.mark.parametrize("name", ["points", "stage"])
def test_rows_of_another_form_are_left_to_pandera(name):
    """Rows with a column of another type, missing, too many or out of order do not follow their model."""
    sound, model = _sound(name), ARCHIVE_TABLES[name]
    first, *others = sound.columns
    for rows in (sound[others], sound.assign(more=1.0), sound[[*others, first]], sound[[first, first, *others]]):
        assert not follows(rows, model)
    tried = 0
    for column in columns(model):
        for dtype in (dtype for dtype in TYPES if dtype != DTYPES[column.kind]):
            try:
                values = sound[column.name].astype(dtype)
            except (ValueError, TypeError):
                continue  # these values have no such form
            assert not follows(sound.assign(**{column.name: values}), model), (column.name, dtype)
            tried += 1
    assert tried > 20


def test_a_frame_without_rows_follows_its_model_by_its_columns():
    """No row, no wrong cell; the columns and their types count all the same."""
    empty = _sound("points").iloc[:0]
    assert follows(empty, ARCHIVE_TABLES["points"])
    assert not follows(empty.astype({"depth_m": "object"}), ARCHIVE_TABLES["points"])
