"""When two values are the same. Reads and writes nothing.

Powers, exponentials and sums of long columns differ in their last digits from one kind of processor, or one version of
a numerical library, to another. Values computed again are therefore held against stored ones to rounding; texts,
counts, flags and moments are held exactly.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

RELATIVE = 1e-10
"""Share of the larger of two numbers by which they may differ: far beyond rounding, far below what is measured."""
ABSOLUTE = 1e-12
"""Difference of two numbers, in the unit of their column, that is none: where a difference of large terms is near 0."""
SINGLE = 2e-7
"""``RELATIVE`` of numbers kept in single precision, which has 24 binary digits."""

Flags = NDArray[np.bool_]


def same_numbers(one: NDArray[np.generic], other: NDArray[np.generic]) -> Flags:
    """Say which numbers of two arrays are the same to rounding: ``|a - b| <= A + R max(|a|, |b|)``, or both missing.

    Parameters
    ----------
    one, other : array of float, of one shape
        ``a`` and ``b``; ``A`` is ``ABSOLUTE``, ``R`` is ``RELATIVE``, or ``SINGLE`` where one is of single precision.

    Returns
    -------
    array of bool
        A number that is not finite is the same as itself only.
    """
    a, b = np.asarray(one), np.asarray(other)
    share = SINGLE if np.float32 in (a.dtype, b.dtype) else RELATIVE
    exact = (a == b) | (np.isnan(a) & np.isnan(b))
    finite = np.isfinite(a) & np.isfinite(b)
    a, b = np.where(finite, a, 0.0).astype(float), np.where(finite, b, 0.0).astype(float)
    near = np.abs(a - b) <= ABSOLUTE + share * np.maximum(np.abs(a), np.abs(b))
    return np.asarray(exact | (finite & near))


def same_cells(one: pd.Series, other: pd.Series) -> Flags:
    """Say which cells of two columns are the same, as ``compared_cells`` does."""
    return compared_cells(one, other)[0]


def compared_cells(one: pd.Series, other: pd.Series) -> tuple[Flags, Flags]:
    """Say which cells of two columns are the same: floating numbers to rounding, all else exactly; missing is a value.

    Parameters
    ----------
    one, other : Series of one length
        Compared by position.

    Returns
    -------
    array of bool
        Whether they are the same.
    array of bool
        Whether they are numbers that are the same only to rounding.
    """
    a, b = one.reset_index(drop=True), other.reset_index(drop=True)
    exactly = np.zeros(len(a), dtype=bool)
    if a.equals(b):
        return ~exactly, exactly
    if a.dtype == b.dtype == np.float64:
        x, y = a.to_numpy(), b.to_numpy()
        same = same_numbers(x, y)
        return same, same & (x != y) & ~np.isnan(x)
    return ((a == b).fillna(False).astype("bool") | (a.isna() & b.isna())).to_numpy(dtype=bool), exactly
