"""Runs of equal keys and what is made of their rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def starts(*keys: Ints) -> Ints:
    """Find the rows where a run of equal keys begins."""
    if not keys[0].size:
        return np.zeros(0, dtype=np.int64)
    changes = np.zeros(keys[0].size, dtype=bool)
    changes[0] = True
    for key in keys:
        changes[1:] |= key[1:] != key[:-1]
    return np.flatnonzero(changes)


def in_order(*keys: NDArray[Any]) -> bool:
    """Say whether rows are sorted by some keys without any missing value, the first key first."""
    if keys[0].size < 2:
        return True
    sorted_, level = np.zeros(keys[0].size - 1, dtype=bool), np.ones(keys[0].size - 1, dtype=bool)
    for key in keys:
        before, after = key[:-1], key[1:]
        sorted_ |= level & (before < after)
        level &= before == after
    return bool((sorted_ | level).all())


def sorted_rows(rows: pd.DataFrame, *keys: NDArray[Any]) -> pd.DataFrame:
    """Sort rows by some keys, the first key first; those that are in order already are not copied."""
    if in_order(*keys):
        return rows.reset_index(drop=True)
    return rows.iloc[np.lexsort(keys[::-1])].reset_index(drop=True)


def reduced_by(how: np.ufunc, values: Floats, first: Ints) -> Floats:
    """Reduce the rows of each run that begins at ``first``; all missing where every value is."""
    if not first.size:
        return np.zeros(0)
    if np.isnan(values).all():
        return np.full(first.size, np.nan)
    return np.asarray(how.reduceat(values, first))


def quotient(above: NDArray[Any], below: NDArray[Any]) -> Floats:
    """Divide where the divisor is above zero; NaN elsewhere."""
    out = np.full(above.size, np.nan)
    np.divide(above, below, out=out, where=below > 0)
    return out


def worded(codes: Ints, words: tuple[str, ...]) -> Any:
    """Turn numbers into words of a closed list, kept as numbers inside."""
    kinds: Any = pd.CategoricalDtype(list(words))
    return pd.Categorical.from_codes(codes, dtype=kinds)
