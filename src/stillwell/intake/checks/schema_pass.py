"""Rows of a table checked against its schema, with a bound on how many wrong cells are listed one by one.

Wrong cells are looked for column by column first; pandera, which lists each of them, is asked only where there is one.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.intake.limits import MOST_REASONS
from stillwell.intake.readers.sheet import BadCell
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.cells import any_wrong, wrong_cells
from stillwell.schemas.derive import columns

AT_ONCE = 2**17
"""Rows checked at once, so that the memory needed in between does not grow with a table."""


def crowded_deposits(name: str, rows: pd.DataFrame) -> set[str]:
    """Find the deposits that have more wrong cells than are listed one by one.

    Parameters
    ----------
    name : str
        Table.
    rows : DataFrame

    Returns
    -------
    set of str
        Digests. Wrong cells are counted first because pandera lists every one as a row of Python objects.
    """
    if len(rows) <= MOST_REASONS // len(rows.columns):
        return set()
    count = np.zeros(len(rows), dtype=np.int64)
    for column in columns(DEPOSIT_TABLES[name]):
        count += wrong_cells(rows[column.name], column)
    if count.sum() <= MOST_REASONS:
        return set()
    counted = pd.Series(count).groupby(rows["deposit"].to_numpy()).sum()
    return set(counted.index[counted > MOST_REASONS])


def schema_failures(name: str, rows: pd.DataFrame) -> list[BadCell]:
    """Check rows against the schema of their table.

    Parameters
    ----------
    name : str
        Table.
    rows : DataFrame

    Returns
    -------
    list of BadCell
        Every wrong cell.
    """
    out: list[BadCell] = []
    for start in range(0, len(rows), AT_ONCE):
        out += _failures(name, rows.iloc[start : start + AT_ONCE])
    return out


def _failures(name: str, rows: pd.DataFrame) -> list[BadCell]:
    model = DEPOSIT_TABLES[name]
    by_name = {column.name: column for column in columns(model)}
    if not any_wrong(rows, model):
        return []
    # imported only here: importing pandera takes longer than reading the sheets of a gauging
    from pandera.errors import SchemaErrors

    from stillwell.schemas.validation import pandera_schema

    try:
        pandera_schema(model).validate(rows, lazy=True)
    except SchemaErrors as error:
        cases = error.failure_cases.dropna(subset=["index"])
        failures = []
        for case in cases.sort_values("index", kind="stable").itertuples():
            if case.column not in by_name:
                raise
            actual = "nothing" if case.check == "not_nullable" else repr(case.failure_case)
            failures.append(BadCell(int(case.index), str(case.column), by_name[str(case.column)].expected, actual))
        return failures
    return []
