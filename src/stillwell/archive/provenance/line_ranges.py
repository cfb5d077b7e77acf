"""Where rows were handed in, in few words: the file inside the deposit and the lines. Reads no file.

``points.csv 2-8`` are the lines 2 to 8, ``points.csv 2-4,9`` the lines 2 to 4 and 9, and ``points.csv ~2-900`` some of
the lines 2 to 900, too scattered to be named one by one.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.intake.values.constant import taken
from stillwell.intake.values.one_value import only_value

MOST_RUNS = 8
"""Runs of lines named one by one; more are given as first and last only."""


def places(rows: pd.DataFrame | None, key: Sequence[str]) -> dict[tuple[Hashable, ...], list[str]]:
    """Say for each key which lines of which files its rows stand on.

    Parameters
    ----------
    rows : DataFrame or None
        With ``row_file``, ``row_line`` and the columns of the key.
    key : sequence of str

    Returns
    -------
    dict of tuple to list of str
        Per key, one text per file, by name of file. Rows that know no line are left out.
    """
    if rows is None or rows.empty:
        return {}
    rows = rows[[*dict.fromkeys([*key, "row_file", "row_line"])]]
    known = (rows["row_file"].notna() & rows["row_line"].notna()).to_numpy(dtype=bool)
    if not known.any():
        return {}
    if not known.all():
        rows = rows[known]
    numbers, lines = _numbered(rows, [*key, "row_file"]), rows["row_line"].to_numpy(dtype="int64")
    step = np.diff(lines)
    starts = np.r_[0, np.flatnonzero((numbers[1:] != numbers[:-1]) | (step < 0) | (step > 1)) + 1]
    del step
    ends = np.r_[starts[1:], len(lines)] - 1
    first, texts = _texts(numbers[starts], lines[starts], lines[ends])
    named = taken(rows, starts[first])
    files = named["row_file"].tolist()
    keys = list(zip(*(named[name].tolist() for name in key), strict=True))
    out: dict[tuple[Hashable, ...], list[str]] = {}
    for i in sorted(range(len(files)), key=files.__getitem__):
        out.setdefault(keys[i], []).append(f"{files[i]} {texts[i]}")
    return out


def _numbered(rows: pd.DataFrame, names: Sequence[str]) -> NDArray[np.int64]:
    """Give rows with the same cells in some columns the same number."""
    numbers = np.zeros(len(rows), dtype="int64")
    for name in names:
        if only_value(rows[name]) is None:
            part, words = pd.factorize(rows[name], use_na_sentinel=False)
            numbers = numbers * len(words) + part
    return numbers


def _texts(
    numbers: NDArray[np.int64], firsts: NDArray[np.int64], lasts: NDArray[np.int64]
) -> tuple[NDArray[np.int64], list[str]]:
    """Join runs of lines that touch and write them; per number, one of its runs and the text."""
    numbers = pd.factorize(numbers)[0].astype("int64")
    order = np.lexsort((firsts, numbers))
    numbers, firsts, lasts = numbers[order], firsts[order], lasts[order]
    # lines of number n are moved to n * reach + line: no line of one number touches one of another, so that a single
    # running maximum of ends tells for all numbers at once where a run begins that does not touch those before it
    reach = int(lasts.max()) + 2
    far = np.maximum.accumulate(numbers * reach + lasts)
    apart = np.flatnonzero(np.r_[True, (numbers * reach + firsts)[1:] > far[:-1] + 1])
    firsts, lasts = firsts[apart], far[np.r_[apart[1:], len(far)] - 1] % reach
    begins = np.flatnonzero(np.r_[True, np.diff(numbers[apart]) != 0])
    ends = np.r_[begins[1:], len(apart)]
    texts = [
        _runs(firsts[a:b], lasts[a:b]) if b - a <= MOST_RUNS else f"~{firsts[a]}-{lasts[b - 1]}"
        for a, b in zip(begins.tolist(), ends.tolist(), strict=True)
    ]
    return order[apart[begins]], texts


def _runs(firsts: NDArray[np.int64], lasts: NDArray[np.int64]) -> str:
    """Write a few runs of lines."""
    return ",".join(str(a) if a == b else f"{a}-{b}" for a, b in zip(firsts.tolist(), lasts.tolist(), strict=True))
