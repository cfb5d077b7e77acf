"""Values of every kind as JSON: missing is null, times in UTC as text, no NaN."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from datetime import date, datetime
from decimal import Decimal
from pathlib import PurePath
from typing import Any

import numpy as np
import pandas as pd

from stillwell.reading.printed.text import time_text


def json_text(value: Any) -> str:
    """Write one JSON document.

    Parameters
    ----------
    value : object
        Mappings, sequences, frames (as arrays of rows), dataclasses, numbers, texts, times, paths; missing is null.

    Returns
    -------
    str
        Ends with a line end.
    """
    return json.dumps(plain(value), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def plain(value: Any) -> Any:
    """Turn a value into what JSON knows; see ``json_text``."""
    if isinstance(value, pd.DataFrame):
        return rows_of(value)
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple, set, frozenset, np.ndarray, pd.Series)):
        return [plain(one) for one in value]
    return _scalar(value)


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Turn a frame into a list of rows."""
    names = [str(name) for name in frame.columns]
    return [
        {name: _scalar(cell) for name, cell in zip(names, row, strict=True)}
        for row in frame.itertuples(index=False, name=None)
    ]


def _scalar(value: Any) -> Any:
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, (np.generic, Decimal)):
        value = float(value) if isinstance(value, Decimal) else value.item()
    if pd.isna(value) or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if isinstance(value, datetime):
        return time_text(value)
    if isinstance(value, date):
        return value.isoformat()
    return str(value) if isinstance(value, PurePath) or not isinstance(value, (int, float)) else value
