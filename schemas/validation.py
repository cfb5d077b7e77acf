"""Frames held against their models by pandera, which takes a quarter of a second to import."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pandera.pandas as pa

from stillwell.schemas.base import Column, Table
from stillwell.schemas.derive import columns

_DTYPES: dict[str, Any] = {
    "text": str,
    "number": float,
    "count": pd.Int64Dtype,
    "flag": pd.BooleanDtype,
    "time": pd.DatetimeTZDtype("us", "UTC"),
}


def pandera_schema(model: type[Table]) -> pa.DataFrameSchema:
    """Make the pandera schema of a model: exactly its columns, in order, with their types, ranges and words.

    Parameters
    ----------
    model : type of Table

    Returns
    -------
    pandera.pandas.DataFrameSchema
    """
    return pa.DataFrameSchema({c.name: _column(c) for c in columns(model)}, strict=True, ordered=True)


def _column(c: Column) -> pa.Column:
    checks = [pa.Check.gt(c.above)] if c.above is not None else []
    checks += [pa.Check.ge(c.minimum)] if c.minimum is not None else []
    checks += [pa.Check.le(c.maximum)] if c.maximum is not None else []
    checks += [pa.Check.isin(list(c.words))] if c.words else []
    return pa.Column(_DTYPES[c.kind], checks, nullable=not c.required, description=c.description)
