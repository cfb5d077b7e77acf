"""Frames are held against their models without pandera, and called sound only where pandera finds nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pandera.pandas as pandera
import pytest
from pandera.errors import SchemaErrors

from stillwell.schemas import ARCHIVE_TABLES, DEPOSIT_TABLES
from stillwell.schemas.base import Column
from stillwell.schemas.cells import follows, wrong_cells
from stillwell.schemas.derive import FRAME_TYPES, columns
from stillwell.schemas.validation import pandera_schema
from tests.making import frame

TYPES = [*FRAME_TYPES.values(), "object", "int64", "float32", "bool", "category", "string", "datetime64[ns, UTC]"]


def _refused(enforced: pandera.Column, cells: pd.Series) -> set[int]:
    """Ask pandera for the places of the cells that it refuses."""
    try:
        pandera.DataFrameSchema({"x": enforced.set_name("x")}).validate(cells.to_frame("x"), lazy=True)
    except SchemaErrors as error:
        return {int(place) for place in error.failure_cases["index"]}
    return set()


def sound_rows(name: str, count: int = 2, *, kept: bool = True) -> pd.DataFrame:
    """Make rows of a table without a wrong cell: every value is inside its range, or a listed word."""
    row = {}
    for column in columns((ARCHIVE_TABLES if kept else DEPOSIT_TABLES)[name]):
        least = column.minimum if column.minimum is not None else (column.above or 0) + 1
        row[column.name] = {
            "text": (column.words or ("x",))[0],
            "number": float(least),
            "count": int(least),
            "flag": True,
            "time": "2025-05-01T10:00Z",
        }[column.kind]
    return frame(name, [row] * count, kept=kept)


def damaged(column: Column) -> list[object]:
    """List values that a column may not hold, or just still may."""
    if column.kind in ("number", "count"):
        limits = [limit for limit in (column.minimum, column.above, column.maximum) if limit is not None]
        step = 1 if column.kind == "count" else 1e-3
        beside = [limit + sign * step for limit in limits for sign in (-1, 0, 1)]
        whole = [int(value) for value in beside] if column.kind == "count" else [*beside, np.nan, np.inf, -np.inf]
        return [None, *whole]
    return [None, "no such word", ""] if column.kind == "text" else [None]


def _enforced(column: Column) -> tuple[object, ...]:
    """Name all of a column that decides which cells are wrong."""
    return column.kind, column.required, column.minimum, column.above, column.maximum, column.words


MODELS = [*DEPOSIT_TABLES.values(), *ARCHIVE_TABLES.values()]
DIFFERENT = {_enforced(column): (model, column) for model in MODELS for column in columns(model)}
"""Of the columns whose cells are judged alike, one."""


@pytest.mark.parametrize(
    ("model", "column"),
    [pytest.param(model, column, id=f"{model.__name__}-{column.name}") for model, column in DIFFERENT.values()],
)
def test_a_cell_is_wrong_exactly_where_pandera_refuses_it(model, column):
    """A missing, strange or extreme cell in any column is judged as pandera judges it, and so is a sound one."""
    low = column.minimum if column.minimum is not None else (column.above or 0) + 1
    sound = {"text": (column.words or ("x",))[0], "number": float(low), "count": int(low), "flag": True}
    values = [sound.get(column.kind, "2025-05-01T10:00Z"), *damaged(column)]
    assert len(values) > 1
    cells = pd.Series(pd.to_datetime(values) if column.kind == "time" else values, dtype=FRAME_TYPES[column.kind])
    assert set(np.flatnonzero(wrong_cells(cells, column))) == _refused(
        pandera_schema(model).columns[column.name], cells
    )


@pytest.mark.parametrize(
    ("name", "kept"), [*((name, False) for name in DEPOSIT_TABLES), *((name, True) for name in ARCHIVE_TABLES)]
)
def test_rows_follow_their_model_until_a_cell_of_any_column_is_wrong(name, kept):
    """Sound rows follow their model by both; without a value in a column they do where it may be empty."""
    sound, model = sound_rows(name, kept=kept), (ARCHIVE_TABLES if kept else DEPOSIT_TABLES)[name]
    assert pandera_schema(model).validate(sound, lazy=True) is not None
    assert follows(sound, model)
    described = columns(model)
    assert any(column.required for column in described)
    for column in described:
        empty = pd.Series([sound[column.name][0], None], dtype=sound[column.name].dtype)
        assert follows(sound.assign(**{column.name: empty}), model) is not column.required, column.name


@pytest.mark.parametrize("name", ["points", "stage"])
def test_rows_of_another_form_are_left_to_pandera(name):
    """Rows with a column of another type, missing, too many or out of order do not follow their model."""
    sound, model = sound_rows(name), ARCHIVE_TABLES[name]
    first, *others = sound.columns
    for rows in (sound[others], sound.assign(more=1.0), sound[[*others, first]], sound[[first, first, *others]]):
        assert not follows(rows, model)
    tried = 0
    for column in columns(model):
        for dtype in (dtype for dtype in TYPES if dtype != FRAME_TYPES[column.kind]):
            try:
                values = sound[column.name].astype(dtype)
            except (ValueError, TypeError):
                continue  # these values have no such form
            assert not follows(sound.assign(**{column.name: values}), model), (column.name, dtype)
            tried += 1
    assert tried > 20


def test_a_frame_without_rows_follows_its_model_by_its_columns():
    """No row, no wrong cell; the columns and their types count all the same."""
    empty = sound_rows("points").iloc[:0]
    assert follows(empty, ARCHIVE_TABLES["points"])
    assert not follows(empty.astype({"depth_m": "object"}), ARCHIVE_TABLES["points"])
