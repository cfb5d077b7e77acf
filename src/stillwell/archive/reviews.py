"""What a review does to the rows of gaugings. Decides only; reads and writes nothing."""

from __future__ import annotations

import pandas as pd

DECIDES_STATUS = ("approved", "provisional", "withdrawn")
"""Decisions that change a status; included and excluded speak to ratings only."""


def newest_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Keep, of each revision of each gauging, the row recorded last: it holds the status of the day."""
    ordered = rows.sort_values(["gauging_id", "revision", "recorded_at"], kind="stable")
    return ordered.drop_duplicates(["gauging_id", "revision"], keep="last").reset_index(drop=True)


def reviewed_rows(reviews: pd.DataFrame, known: pd.DataFrame, fresh: pd.DataFrame) -> pd.DataFrame:
    """Apply reviews, in the order decided, to the gaugings known and to those of the same commit.

    ``approved`` raises the newest revision that is not withdrawn; ``provisional`` takes an approval back;
    ``withdrawn`` withdraws every revision of the gauging.

    Parameters
    ----------
    reviews : DataFrame
        New rows of ``reviews``.
    known : DataFrame
        All rows of ``gaugings`` in the archive.
    fresh : DataFrame
        Rows of ``gaugings`` of this commit, not yet recorded.

    Returns
    -------
    DataFrame
        ``fresh`` with its status changed where reviewed, and a new row for every known revision whose
        status changes.
    """
    old = newest_rows(known).assign(_fresh=False) if len(known) else known.assign(_fresh=False)
    rows = pd.concat([old, fresh.assign(_fresh=True)], ignore_index=True)
    before = rows["status"].copy()
    ordered = reviews[reviews["decision"].isin(DECIDES_STATUS)].sort_values("decided_at", kind="stable")
    for subject, decision in zip(ordered["subject"], ordered["decision"], strict=True):
        mine = rows.index[(rows["gauging_id"] == subject) & (rows["status"] != "withdrawn")]
        if decision == "approved":
            mine = mine[rows.loc[mine, "revision"] == rows.loc[mine, "revision"].max()]
        elif decision == "provisional":
            mine = mine[rows.loc[mine, "status"] == "approved"]
        rows.loc[mine, "status"] = decision
        rows.loc[mine, "candidate"] = False
    changed = rows["_fresh"].astype("bool") | (rows["status"] != before)
    return rows[changed].drop(columns="_fresh").reset_index(drop=True)
