"""Arrays whose rows stand in groups: what is made of each group, and what each row takes from its group."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


def starts(*keys: NDArray[Any]) -> Ints:
    """Find the rows where a run of equal keys begins, shape (runs,)."""
    if not keys[0].size:
        return np.zeros(0, dtype=np.int64)
    changes = np.zeros(keys[0].size, dtype=bool)
    changes[0] = True
    for key in keys:
        changes[1:] |= key[1:] != key[:-1]
    return np.flatnonzero(changes)


@dataclass(frozen=True)
class Groups:
    """Rows of arrays in groups, each group's rows one after another.

    ``first``: row at which each group begins, rising, shape (groups,); ``rows``: number of rows. No group is empty.
    """

    first: Ints
    rows: int

    @classmethod
    def of(cls, *keys: NDArray[Any]) -> Groups:
        """Group rows by runs of equal keys."""
        return cls(starts(*keys), keys[0].size)

    @property
    def size(self) -> int:
        """Number of groups."""
        return int(self.first.size)

    @cached_property
    def last(self) -> Ints:
        """Row at which each group ends, shape (groups,)."""
        return np.r_[self.first[1:], self.rows][: self.size] - 1

    @cached_property
    def counts(self) -> Ints:
        """Number of rows of each group, shape (groups,)."""
        return np.asarray(self.last - self.first + 1)

    @cached_property
    def owner(self) -> Ints:
        """Number of each row's group, from 0, shape (rows,)."""
        return self.spread(np.arange(self.size))

    @cached_property
    def joined(self) -> Flags:
        """Whether each row and the next are of one group, shape (rows - 1,)."""
        joined = np.ones(max(self.rows - 1, 0), dtype=bool)
        joined[self.first[1:] - 1] = False
        return joined

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Give each row the value of its group: from shape (groups,) to (rows,)."""
        return np.repeat(values, self.counts)

    def reduce(self, how: np.ufunc, values: NDArray[Any], dtype: type | None = None) -> NDArray[Any]:
        """Reduce the rows of each group to one value: from shape (rows,) to (groups,); NaN where all values are."""
        if not self.size:
            return np.zeros(0, dtype=dtype or values.dtype)
        if values.dtype.kind == "f" and np.isnan(values).all():
            return np.full(self.size, np.nan)
        return np.asarray(how.reduceat(values, self.first, dtype=dtype))

    def neighbours(self, able: Flags) -> Ints:
        """Find the rows that have a row of their group on both sides, all three ``able``."""
        joined = self.joined & able[1:] & able[:-1]
        return np.flatnonzero(joined[1:] & joined[:-1]) + 1


def numbered(counts: NDArray[Any]) -> tuple[Ints, Ints]:
    """Lay out so many rows for each group, none for a count of 0: the group of each row, and its number there from 0.

    Returns
    -------
    owner, number : int arrays, shape (rows,)
    """
    owner = np.repeat(np.arange(counts.size), counts)
    return owner, np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)


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


def quotient(above: NDArray[Any], below: NDArray[Any]) -> Floats:
    """Divide where the divisor is above zero; NaN elsewhere."""
    out = np.full(above.size, np.nan)
    np.divide(above, below, out=out, where=below > 0)
    return out


def worded(codes: Ints, words: tuple[str, ...]) -> Any:
    """Turn numbers into words of a closed list, kept as numbers inside."""
    kinds: Any = pd.CategoricalDtype(list(words))
    return pd.Categorical.from_codes(codes, dtype=kinds)
