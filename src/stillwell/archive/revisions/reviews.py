"""What a review does to the rows of gaugings. Decides only; reads and writes nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.tables.current_rows import newest_rows
from stillwell.shared_types import RULES

DECIDES_STATUS = ("approved", "provisional", "withdrawn")
"""Decisions that change a status; included and excluded speak to ratings only."""


def reviewed_rows(
    reviews: pd.DataFrame, known: pd.DataFrame, fresh: pd.DataFrame, rules: int = RULES
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Apply reviews, in the order decided, to the gaugings known and to those of the same commit.

    ``approved`` raises the newest revision that is not withdrawn, and is void where all are; ``provisional`` takes an
    approval or a withdrawal back; ``withdrawn`` withdraws every revision of the gauging.

    Parameters
    ----------
    reviews : DataFrame
        New rows of ``reviews``.
    known : DataFrame
        All rows of ``gaugings`` in the archive.
    fresh : DataFrame
        Rows of ``gaugings`` of this commit, not yet recorded.
    rules : int
        By which rules; under the first nothing brought a withdrawn gauging back, and no review was void.

    Returns
    -------
    DataFrame
        ``fresh`` with its status changed where reviewed, and a new row for every known revision whose
        status changes.
    bool array, shape (reviews,)
        Which reviews are void.
    """
    old = newest_rows(known).assign(_fresh=False) if len(known) else known.assign(_fresh=False)
    rows = pd.concat([old, fresh.assign(_fresh=True)], ignore_index=True)
    before = rows["status"].copy()
    ordered = reviews[reviews["decision"].isin(DECIDES_STATUS)].sort_values("decided_at", kind="stable")
    void = pd.Series(False, index=reviews.index)
    for place, subject, decision in zip(ordered.index, ordered["subject"], ordered["decision"], strict=True):
        every = rows.index[rows["gauging_id"] == subject]
        mine = every[rows.loc[every, "status"] != "withdrawn"]
        if decision == "approved":
            void[place] = rules >= 2 and not len(mine)
            mine = mine[rows.loc[mine, "revision"] == rows.loc[mine, "revision"].max()]
        elif decision == "provisional":
            mine = every if rules >= 2 else mine
            mine = mine[rows.loc[mine, "status"] != "provisional"]
        rows.loc[mine, "status"] = decision
        rows.loc[mine, "candidate"] = False
    changed = rows["_fresh"].astype("bool") | (rows["status"] != before)
    return rows[changed].drop(columns="_fresh").reset_index(drop=True), void.to_numpy(dtype=bool)
