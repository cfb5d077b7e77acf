"""Rows held against the schema of their table, within bounds. Tells nobody; gives back nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
from pandera.errors import SchemaErrors

from stillwell.intake.limits import MOST_REASONS
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.derive import Column, columns

AT_ONCE = 2**17
"""Rows held against their schema at once, so that what is needed in between does not grow with a table."""


def crowded_deposits(name: str, rows: pd.DataFrame) -> set[str]:
    """Find the deposits of which more cells cannot be than are ever told one by one.

    Parameters
    ----------
    name : str
        Table.
    rows : DataFrame

    Returns
    -------
    set of str
        Digests. The schema names every wrong cell as a row of objects, so that they are counted first.
    """
    if len(rows) <= MOST_REASONS // len(rows.columns):
        return set()
    count = np.zeros(len(rows), dtype=np.int64)
    for column in columns(DEPOSIT_TABLES[name]):
        count += _wrong(rows[column.name], column)
    if count.sum() <= MOST_REASONS:
        return set()
    counted = pd.Series(count).groupby(rows["deposit"].to_numpy()).sum()
    return set(counted.index[counted > MOST_REASONS])


def _wrong(values: pd.Series, column: Column) -> np.ndarray:
    missing = values.isna().to_numpy()
    wrong = np.zeros(len(values), dtype=bool)
    if column.words:
        wrong |= ~values.isin(column.words).to_numpy()
    if column.kind in ("number", "count"):
        numbers = values.to_numpy(dtype="float64", na_value=np.nan)
        low = column.minimum if column.minimum is not None else -np.inf
        high = column.maximum if column.maximum is not None else np.inf
        wrong |= (numbers < low) | (numbers > high)
        if column.above is not None:
            wrong |= numbers <= column.above
    return (wrong & ~missing) | (missing & column.required)


def schema_failures(name: str, rows: pd.DataFrame) -> list[tuple[int, str, str, str]]:
    """Hold rows against the schema of their table.

    Parameters
    ----------
    name : str
        Table.
    rows : DataFrame

    Returns
    -------
    list of (int, str, str, str)
        Row, column, what was expected and what was found, for each cell that cannot be.
    """
    out: list[tuple[int, str, str, str]] = []
    for start in range(0, len(rows), AT_ONCE):
        out += _failures(name, rows.iloc[start : start + AT_ONCE])
    return out


def _failures(name: str, rows: pd.DataFrame) -> list[tuple[int, str, str, str]]:
    model = DEPOSIT_TABLES[name]
    try:
        model.validate(rows, lazy=True)
    except SchemaErrors as error:
        known = {c.name: c for c in columns(model)}
        cases = error.failure_cases.dropna(subset=["index"])
        out = []
        for case in cases.sort_values("index", kind="stable").itertuples():
            missing = case.check == "not_nullable"
            found = "nothing" if missing else repr(case.failure_case)
            out.append((int(case.index), str(case.column), known[str(case.column)].expected, found))
            bad_frame = [] if case.column in known else [case.column]
            if bad_frame:
                raise
        return out
    return []
