"""Which rows stand. Decides only; reads and writes nothing.

Per revision of a gauging the row recorded last gives its status. The newest approved revision stands, else
the newest provisional one; a withdrawn revision never stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

GAUGING = ["gauging_id", "revision"]
RANK = {"approved": 1, "provisional": 0}
"""Statuses whose rows can stand; those of a higher rank before all others."""


def standing_gaugings(gaugings: pd.DataFrame) -> pd.DataFrame:
    """Pick the row that stands of each gauging.

    Parameters
    ----------
    gaugings : DataFrame
        Rows of every revision, in the order recorded where two were recorded at one moment.

    Returns
    -------
    DataFrame
        One row per gauging that stands, in the order of ``gaugings``.
    """
    places = standing_places(
        gaugings["gauging_id"].factorize()[0],
        gaugings["revision"].to_numpy(dtype="int64"),
        gaugings["recorded_at"].astype("int64").to_numpy(),
        gaugings["status"].map(RANK).fillna(-1).to_numpy(dtype="int64"),
    )
    return gaugings.iloc[places]


def standing_places(
    gauging: NDArray[Any], revision: NDArray[Any], recorded_at: NDArray[Any], rank: NDArray[Any]
) -> NDArray[np.int64]:
    """Find the row that stands of each gauging.

    Parameters
    ----------
    gauging : array of int
        Rows of every revision, in the order recorded where two were recorded at one moment: a number for each id.
    revision : array of int
    recorded_at : array of int
        Numbers in the order of the moments.
    rank : array of int
        By ``RANK``; negative where a row of that status never stands.

    Returns
    -------
    array of int
        Places of the rows that stand, in order.
    """
    order = np.lexsort((recorded_at, revision, gauging))
    newest = order[_last_of(gauging[order], revision[order])]
    able = newest[rank[newest] >= 0]
    order = able[np.lexsort((revision[able], rank[able], gauging[able]))]
    return np.asarray(np.sort(order[_last_of(gauging[order])]))


def _last_of(*keys: NDArray[Any]) -> NDArray[np.bool_]:
    """Mark the last row of each run of equal keys."""
    ends = np.any([key[1:] != key[:-1] for key in keys], axis=0)
    return np.append(ends, True)[: len(keys[0])]


def newest_revisions(rows: pd.DataFrame, key: Sequence[str]) -> pd.DataFrame:
    """Pick the newest revision of each key; a missing cell of a key is a value like any other.

    Where that revision holds several rows they contradict each other, and none stands.
    """
    if not rows.duplicated(list(key)).any():
        return rows
    newest = _newest(rows, key)
    torn = contradicted(rows, key)
    return rows.loc[newest.index[~newest.index.isin(torn.index)].sort_values()]


def contradicted(rows: pd.DataFrame, key: Sequence[str]) -> pd.DataFrame:
    """Pick the rows of newest revisions that hold several rows of one key: values of one moment in one deposit.

    Returns
    -------
    DataFrame
        With the index of ``rows``; none where every revision holds one row.
    """
    if not rows.duplicated(list(key)).any():
        return rows.iloc[:0]
    same = [*key, "revision"]
    twice = rows.duplicated(same, keep=False).to_numpy()
    if not twice.any():
        return rows.iloc[:0]
    import pandas as pd  # here and below: which gaugings stand is found without

    newest = pd.MultiIndex.from_frame(_newest(rows, key)[same])
    return rows[twice & pd.MultiIndex.from_frame(rows[same]).isin(newest)]


def _newest(rows: pd.DataFrame, key: Sequence[str]) -> pd.DataFrame:
    return rows.sort_values(["revision", "recorded_at"], kind="stable").drop_duplicates(list(key), keep="last")


def standing_rows(
    table: str, rows: pd.DataFrame, gaugings: pd.DataFrame, key: Sequence[str] | None = None
) -> pd.DataFrame:
    """Pick the rows of a table that stand.

    Parameters
    ----------
    table : str
    rows : DataFrame
        Rows of every revision of that table.
    gaugings : DataFrame
        Rows of every revision of ``gaugings``, at least of the gaugings in ``rows``.
    key : sequence of str, optional
        Key of the table; looked up in ``schemas`` where it is needed and not given.

    Returns
    -------
    DataFrame
        With a fresh index. Rows of a table that knows no revisions all stand.
    """
    import pandas as pd

    rows = rows.reset_index(drop=True)
    if table == "gaugings":
        out = standing_gaugings(rows)
    elif set(GAUGING) <= set(rows.columns):
        stands = standing_gaugings(gaugings.reset_index(drop=True))[GAUGING]
        if len(stands) == len(gaugings):
            return rows
        out = rows[pd.MultiIndex.from_frame(rows[GAUGING]).isin(pd.MultiIndex.from_frame(stands))]
    elif "revision" in rows.columns:
        out = newest_revisions(rows, _key(table) if key is None else key)
    else:
        out = rows
    return out.reset_index(drop=True)


def _key(table: str) -> list[str]:
    from stillwell.schemas import ARCHIVE_TABLES
    from stillwell.schemas.derive import key_names

    return key_names(ARCHIVE_TABLES[table])
