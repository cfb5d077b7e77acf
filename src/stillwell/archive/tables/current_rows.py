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
    # the only row of a gauging stands unless it was withdrawn; only the others are compared
    alone = ~gaugings["gauging_id"].duplicated(keep=False) & gaugings["status"].isin(list(RANK))
    if alone.all():
        return gaugings
    several = gaugings[~alone]
    places = standing_places(
        several["gauging_id"].factorize()[0],
        several["revision"].to_numpy(dtype="int64"),
        several["recorded_at"].astype("int64").to_numpy(),
        several["status"].map(RANK).fillna(-1).to_numpy(dtype="int64"),
    )
    return gaugings[alone | gaugings.index.isin(several.index[places])]


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


def newest_rows(gaugings: pd.DataFrame) -> pd.DataFrame:
    """Keep, of each revision of each gauging, the row recorded last: it holds the status of the day.

    Parameters
    ----------
    gaugings : DataFrame
        As of ``standing_gaugings``.

    Returns
    -------
    DataFrame
        In the order of gauging and revision, with a fresh index.
    """
    return _recorded_last(gaugings).sort_values(GAUGING, kind="stable").reset_index(drop=True)


def _recorded_last(gaugings: pd.DataFrame) -> pd.DataFrame:
    return gaugings.sort_values("recorded_at", kind="stable").drop_duplicates(GAUGING, keep="last")


def newest_revisions(rows: pd.DataFrame, key: Sequence[str]) -> pd.DataFrame:
    """Pick the newest revision of each key; a missing cell of a key is a value like any other.

    Where that revision holds several rows they contradict each other, and none stands.

    Parameters
    ----------
    rows : DataFrame
        Rows of every revision, with an index that names each once.
    key : sequence of str

    Returns
    -------
    DataFrame
        In the order of ``rows``.
    """
    again = _may_be_revised(rows, key)
    several = rows[again]
    if not several.duplicated(list(key)).any():
        return rows
    stands = newest_of_keys(several, key).index.difference(contradicted(several, key).index)
    return rows[~again | rows.index.isin(stands)]


def _may_be_revised(rows: pd.DataFrame, key: Sequence[str]) -> NDArray[np.bool_]:
    """Mark the rows whose key may have a second revision: those of the moments of later revisions, if any."""
    import pandas as pd

    later = (rows["revision"] > 1).to_numpy(dtype=bool, na_value=False)
    moments = [rows[name] for name in key if isinstance(rows[name].dtype, pd.DatetimeTZDtype)]
    if not later.any() or not moments:
        return np.full(len(rows), later.any())
    return moments[0].isin(moments[0][later]).to_numpy(dtype=bool)


def newest_in_sql(key: Sequence[str], of: str) -> str:
    """Write the rule of ``newest_revisions`` as the QUALIFY clause of a SELECT from a relation of some name."""
    cells = ", ".join(f'{of}."{name}"' for name in key)
    return (
        f"QUALIFY row_number() OVER (PARTITION BY {cells} ORDER BY {of}.revision DESC) = 1"
        f" AND count(*) OVER (PARTITION BY {cells}, {of}.revision) = 1"
    )


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

    newest = pd.MultiIndex.from_frame(newest_of_keys(rows, key)[same])
    return rows[twice & pd.MultiIndex.from_frame(rows[same]).isin(newest)]


def newest_of_keys(rows: pd.DataFrame, key: Sequence[str]) -> pd.DataFrame:
    """Keep a row of the newest revision of each key, the last one where several contradict each other.

    Returns
    -------
    DataFrame
        In the order of revisions, with the index of ``rows``.
    """
    return rows.sort_values("revision", kind="stable").drop_duplicates(list(key), keep="last")


def described_last(register: pd.DataFrame, of: str = "site") -> pd.DataFrame:
    """Keep, of each site or instrument, the row of the register that is valid from last, of rows that stand."""
    ordered = register.sort_values("valid_from", na_position="first", kind="stable")
    return ordered.drop_duplicates(of, keep="last")


def standing_rows(
    table: str, rows: pd.DataFrame, gaugings: pd.DataFrame | None = None, key: Sequence[str] | None = None
) -> pd.DataFrame:
    """Pick the rows of a table that stand.

    Parameters
    ----------
    table : str
    rows : DataFrame
        Rows of every revision of that table.
    gaugings : DataFrame, optional
        Rows of every revision of ``gaugings``, at least of the gaugings in ``rows``; for a table whose rows belong to
        gaugings.
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
        assert gaugings is not None
        stands = standing_gaugings(gaugings.reset_index(drop=True))[GAUGING]
        if len(stands) == len(gaugings):
            return rows
        out = rows[pd.MultiIndex.from_frame(rows[GAUGING]).isin(pd.MultiIndex.from_frame(stands))]
    elif "revision" in rows.columns:
        out = newest_revisions(rows, key_of(table) if key is None else key)
    else:
        out = rows
    return out.reset_index(drop=True)


def key_of(table: str) -> list[str]:
    """Name the columns of a table's key, by the schemas."""
    from stillwell.schemas import ARCHIVE_TABLES
    from stillwell.schemas.derive import key_names

    return key_names(ARCHIVE_TABLES[table])
