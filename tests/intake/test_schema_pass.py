"""Wrong cells are listed as pandera lists them, and pandera is asked for nothing where there is none."""

from __future__ import annotations

import pandas as pd
import pytest
from pandera.errors import SchemaErrors

from stillwell.intake.checks.schema_pass import schema_failures
from stillwell.schemas import DEPOSIT_TABLES, validation
from stillwell.schemas.derive import columns
from stillwell.schemas.validation import pandera_schema
from tests.schemas.test_cells import damaged, sound_rows


@pytest.mark.parametrize("name", DEPOSIT_TABLES)
def test_a_wrong_cell_is_listed_exactly_where_pandera_refuses_it(name):
    """Each cell that pandera refuses is listed once with what was expected, whatever is wrong in the rows around it."""
    wrong = [(column, value) for column in columns(DEPOSIT_TABLES[name]) for value in damaged(column)[:3]]
    rows = sound_rows(name, len(wrong) + 1, kept=False)
    for number, (column, value) in enumerate(wrong):
        rows[column.name] = pd.Series(
            [value if i == number else cell for i, cell in enumerate(rows[column.name])], dtype=rows[column.name].dtype
        )
    with pytest.raises(SchemaErrors) as raised:
        pandera_schema(DEPOSIT_TABLES[name]).validate(rows, lazy=True)
    cases = raised.value.failure_cases
    assert len(cases) > 1
    listed = schema_failures(name, rows)
    assert [failure[0] for failure in listed] == sorted(cases["index"].astype(int))
    assert {(row, column) for row, column, *_ in listed} == set(zip(cases["index"], cases["column"], strict=True))
    assert {(column, expected) for _, column, expected, _ in listed} <= {(c.name, c.expected) for c, _ in wrong}
    nothing = {(row, column) for row, column, _, actual in listed if actual == "nothing"}
    missing = cases[cases["check"] == "not_nullable"]
    assert nothing == set(zip(missing["index"], missing["column"], strict=True))


@pytest.mark.parametrize("name", DEPOSIT_TABLES)
def test_pandera_is_asked_for_nothing_where_no_cell_is_wrong(name, monkeypatch):
    """Sound rows are found sound without it."""
    monkeypatch.delattr(validation, "pandera_schema")
    assert schema_failures(name, sound_rows(name, kept=False)) == []
