"""Which rows of a register say something new. Decides only; reads and writes nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.hydrometry.runs import in_order, starts
from stillwell.intake.constant import taken

ROW_TRAIL = ("deposit", "row_file", "row_line", "revision", "recorded_at")


def new_rows(incoming: pd.DataFrame, kept: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Pick the rows that differ from the newest of the same key, and number their revisions.

    Parameters
    ----------
    incoming : DataFrame
        Rows in the order handed in.
    kept : DataFrame
        All rows of the table in the archive, with ``revision``.
    key : list of str
        Columns of the table's key; a missing cell is a value like any other.

    Returns
    -------
    DataFrame
        Rows of ``incoming`` with ``revision``; empty when nothing is new.
    """
    if incoming.empty:
        return incoming.assign(revision=pd.array([], dtype="Int64"))
    said = [name for name in incoming.columns if name not in ROW_TRAIL]
    rows = incoming.assign(
        _old=False, _row=range(len(incoming)), revision=pd.array([pd.NA] * len(incoming), dtype="Int64")
    )
    if len(kept):
        newest = kept.sort_values("revision", kind="stable").drop_duplicates(key, keep="last")
        newest = newest[[*said, "revision"]].assign(_old=True).astype({"revision": "Int64"})
        rows = pd.concat([newest, rows], ignore_index=True)
    rows = rows.assign(_group=rows.groupby(key, dropna=False, sort=False).ngroup())
    rows = rows.sort_values("_group", kind="stable")
    first = rows["_group"].ne(rows["_group"].shift())
    same = _equals_above(rows, said) & ~first
    fresh = ~rows["_old"].astype("bool") & ~same
    base = rows.groupby("_group")["revision"].transform("max").fillna(0).astype("Int64")
    number = base + fresh.groupby(rows["_group"]).cumsum().astype("Int64")
    out = rows.assign(revision=number)[fresh].sort_values("_row", kind="stable")
    return out[[*incoming.columns, "revision"]].astype(dict(incoming.dtypes)).reset_index(drop=True)


def _equals_above(rows: pd.DataFrame, names: list[str]) -> pd.Series[bool]:
    same = pd.Series(True, index=rows.index)
    for name in names:
        here, above = rows[name], rows[name].shift()
        same &= (here == above).fillna(False).astype("bool") | (here.isna() & above.isna())
    return same


def new_values(incoming: pd.DataFrame, kept: pd.DataFrame) -> pd.DataFrame:
    """Pick the values of recorded series that differ from the newest at their site, sensor and time, as ``new_rows``.

    Parameters
    ----------
    incoming : DataFrame
        Rows of ``stage`` in the order handed in; millions of them.
    kept : DataFrame
        All rows of these sites in the archive, with ``revision``.

    Returns
    -------
    DataFrame
        Rows of ``incoming`` with ``revision``. Values that were never handed in before are not compared one by one.
    """
    key = ["site", "sensor", "time"]
    codes = _codes(pd.concat([kept[key], incoming[key]], ignore_index=True))
    old, new = codes[: len(kept)], codes[len(kept) :]
    alone = np.bincount(codes)[new] == 1
    fresh = taken(incoming, alone)
    fresh = fresh.assign(revision=pd.array(np.ones(int(alone.sum()), dtype="int64"), dtype="Int64"))
    if alone.all():
        return fresh.reset_index(drop=True)
    again = new_rows(incoming[~alone].reset_index(drop=True), kept[np.isin(old, new[~alone])], key)
    return pd.concat([fresh, again], ignore_index=True)


def _codes(rows: pd.DataFrame) -> np.ndarray:
    """Give rows of one site, sensor and time one number."""
    blank = rows["sensor"].fillna("") if rows["sensor"].isna().any() else rows["sensor"]
    site, sensor = (pd.factorize(words)[0] for words in (rows["site"], blank))
    place = site * (int(sensor.max(initial=0)) + 1) + sensor
    moment = rows["time"].array.asi8
    # values mostly come in order of time
    order = slice(None) if in_order(place, moment) else np.lexsort((moment, place))
    begins = np.zeros(len(rows), dtype=np.int64)
    begins[starts(place[order], moment[order])] = 1
    codes = np.empty(len(rows), dtype=np.int64)
    codes[order] = np.cumsum(begins, out=begins)
    return codes
