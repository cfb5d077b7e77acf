"""Frames held against their models column by column, by comparisons of whole columns and without pandera."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.schemas.base import Column, Table
from stillwell.schemas.derive import FRAME_TYPES, columns


def wrong_cells(values: pd.Series, column: Column) -> np.ndarray:
    """Mark the cells that are missing where one is required, outside the range or not in the list of words.

    Parameters
    ----------
    values : Series
        Of the dtype of the column's kind.
    column : Column

    Returns
    -------
    ndarray of bool
    """
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


def any_wrong(rows: pd.DataFrame, model: type[Table]) -> bool:
    """Tell whether a frame with the columns and types of a model has a wrong cell; see ``wrong_cells``."""
    return any(wrong_cells(rows[column.name], column).any() for column in columns(model))


def follows(rows: pd.DataFrame, model: type[Table]) -> bool:
    """Tell whether a frame has exactly the columns of a model, in order, with their types and without a wrong cell.

    Parameters
    ----------
    rows : DataFrame
    model : type of Table

    Returns
    -------
    bool
        True only where pandera, which takes many times as long and names what is wrong, would find nothing.
    """
    described = columns(model)
    if list(rows.columns) != [column.name for column in described]:
        return False
    if any(rows[column.name].dtype != FRAME_TYPES[column.kind] for column in described):
        return False
    return not any_wrong(rows, model)
