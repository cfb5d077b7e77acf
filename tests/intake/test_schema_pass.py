"""Wrong cells are found by comparisons of whole columns before pandera lists them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pandera.errors import SchemaErrors

from stillwell.intake.checks.schema_pass import schema_failures
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.derive import columns
from stillwell.schemas.validation import pandera_schema
from tests.making import frame

CELLS = [(name, column) for name, model in DEPOSIT_TABLES.items() for column in columns(model)]
IMPOSSIBLE = {"text": "no such word", "number": 1e30, "count": 10**15, "flag": pd.NA, "time": pd.NaT}


def _one_row(name: str) -> pd.DataFrame:
    """Make a row without a wrong cell: every value is inside its range, or a listed word."""
    row = {}
    for column in columns(DEPOSIT_TABLES[name]):
        least = column.minimum if column.minimum is not None else (column.above or 0) + 1
        row[column.name] = {
            "text": (column.words or ("x",))[0],
            "number": float(least),
            "count": int(least),
            "flag": True,
            "time": "2025-05-01T10:00Z",
        }[column.kind]
    return frame(name, [row])


@pytest.mark.parametrize(("name", "column"), CELLS, ids=lambda v: getattr(v, "name", v))
def test_a_wrong_cell_is_listed_exactly_where_pandera_refuses_it(name, column):
    """What pandera says of a frame and what intake lists agree, for each kind of wrong cell of each column."""
    sound = _one_row(name)
    assert schema_failures(name, sound) == []
    assert pandera_schema(DEPOSIT_TABLES[name]).validate(sound, lazy=True) is not None
    below = np.nan if column.minimum is None else column.minimum - 1
    at_limit = np.nan if column.above is None else column.above
    values = [None, IMPOSSIBLE[column.kind]]
    values += [below, at_limit] if column.kind == "number" else []
    for value in values:
        rows = sound.copy()
        rows[column.name] = pd.Series([value], dtype=sound[column.name].dtype)
        refused = []
        try:
            pandera_schema(DEPOSIT_TABLES[name]).validate(rows, lazy=True)
        except SchemaErrors as error:
            refused = error.failure_cases["column"].tolist()
        assert [failure[1] for failure in schema_failures(name, rows)] == refused, value
