"""Which rows of a register say something new. Decides only; reads and writes nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.archive.tables.current_rows import newest_of_keys
from stillwell.hydrometry.grouped import in_order, starts
from stillwell.intake.values.constant import taken

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
    columns = [name for name in incoming.columns if name not in ROW_TRAIL]
    rows = incoming.assign(
        _old=False, _row=range(len(incoming)), revision=pd.array([pd.NA] * len(incoming), dtype="Int64")
    )
    if len(kept):
        newest = newest_of_keys(kept, key)
        newest = newest[[*columns, "revision"]].assign(_old=True).astype({"revision": "Int64"})
        rows = pd.concat([newest, rows], ignore_index=True)
    rows = rows.assign(_group=rows.groupby(key, dropna=False, sort=False).ngroup())
    rows = rows.sort_values("_group", kind="stable")
    first = rows["_group"].ne(rows["_group"].shift())
    same = ~first if first.all() else _equals_above(rows, columns) & ~first
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


VALUE_KEY = ["site", "sensor", "time"]
"""Key of a recorded value."""


def new_values(incoming: pd.DataFrame, kept: pd.DataFrame) -> pd.DataFrame:
    """Pick the values of recorded series that differ from what stands at their site, sensor and time.

    Values that one deposit gives for one moment and that differ share the revision of the last of them, so that none
    of them stands (``current_rows.contradicted``). Of a known and a missing one the known stands; equal ones
    are one value.

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
    old, new = _codes_of(kept, incoming)
    several = _several_values(incoming, new)
    torn = np.isin(new, np.r_[np.unique(new[several]), _torn(kept, old)])
    single = ~torn & _one_each(incoming, new)
    plain = _by_order(taken(incoming, single).reset_index(drop=True), new[single], kept, old)
    if not torn.any():
        return plain
    rows = incoming[torn].assign(_code=new[torn]).reset_index(drop=True)
    here = np.isin(old, new[torn])
    return pd.concat([plain, _states(rows, kept[here].assign(_code=old[here]))], ignore_index=True)


def _several_values(rows: pd.DataFrame, codes: np.ndarray) -> np.ndarray:
    """Mark the rows of a moment for which one deposit gives known values that differ."""
    out = np.zeros(len(rows), dtype=bool)
    again = np.flatnonzero(pd.Series(codes).duplicated(keep=False).to_numpy() & rows["stage_m"].notna().to_numpy())
    if again.size:
        part = rows["stage_m"].iloc[again].reset_index(drop=True)
        out[again] = part.groupby([codes[again], rows["deposit"].iloc[again].to_numpy()]).transform("nunique") > 1
    return out


def _torn(kept: pd.DataFrame, codes: np.ndarray) -> np.ndarray:
    """Name the moments whose newest revision in the archive holds several values."""
    if kept.empty:
        return codes[:0]
    twice = kept.assign(_code=codes).duplicated(["_code", "revision"], keep=False).to_numpy()
    return np.unique(codes[twice])


def _one_each(rows: pd.DataFrame, codes: np.ndarray) -> np.ndarray:
    """Mark one row of each moment and deposit: the last with a value, else the last."""
    twice = pd.Series(codes).duplicated(keep=False).to_numpy()
    out = ~twice
    if out.all():
        return out
    part = rows[twice].assign(_code=codes[twice], _row=np.flatnonzero(twice), _known=rows["stage_m"][twice].notna())
    kept = part.sort_values("_known", kind="stable").drop_duplicates(["_code", "deposit"], keep="last")["_row"]
    out[kept.to_numpy()] = True
    return out


def _states(rows: pd.DataFrame, kept: pd.DataFrame) -> pd.DataFrame:
    """Give each state of a moment a revision: all the values one deposit gives of it.

    A state equal to the one before it, in whatever order its values come, makes no revision.
    """
    newest = kept[kept["revision"] == kept.groupby("_code")["revision"].transform("max")]
    before: dict[object, tuple[int, frozenset[float | None]]] = {
        code: (int(part["revision"].max()), _values(part)) for code, part in newest.groupby("_code")
    }
    out = []
    for (code, _), part in rows.groupby(["_code", "deposit"], sort=False):
        known = part[part["stage_m"].notna()]
        mine = (known if len(known) else part).drop_duplicates("stage_m", keep="last")
        revision, state = before.get(code, (0, frozenset()))
        if _values(mine) != state:
            before[code] = revision + len(mine), _values(mine)
            out.append(mine.assign(revision=revision + len(mine)))
    if not out:
        return rows.drop(columns="_code").iloc[:0].assign(revision=pd.array([], dtype="Int64"))
    return pd.concat(out).sort_index().drop(columns="_code").astype({"revision": "Int64"}).reset_index(drop=True)


def _values(rows: pd.DataFrame) -> frozenset[float | None]:
    return frozenset(None if pd.isna(value) else float(value) for value in rows["stage_m"])


def new_values_by_order(incoming: pd.DataFrame, kept: pd.DataFrame) -> pd.DataFrame:
    """Pick the values that differ from the newest at their site, sensor and time, as ``new_rows``: the last stands.

    So all values were taken under the first rules (``shared_types.RULES``), also those that contradict each other.

    Parameters
    ----------
    incoming, kept : DataFrame
        As of ``new_values``.

    Returns
    -------
    DataFrame
        Rows of ``incoming`` with ``revision``.
    """
    old, new = _codes_of(kept, incoming)
    return _by_order(incoming, new, kept, old)


def _by_order(incoming: pd.DataFrame, new: np.ndarray, kept: pd.DataFrame, old: np.ndarray) -> pd.DataFrame:
    """Do the same with the codes of the moments of all rows at hand."""
    alone = np.bincount(np.concatenate([old, new]))[new] == 1
    fresh = taken(incoming, alone)
    fresh = fresh.assign(revision=pd.array(np.ones(int(alone.sum()), dtype="int64"), dtype="Int64"))
    if alone.all():
        return fresh.reset_index(drop=True)
    again = new_rows(incoming[~alone].reset_index(drop=True), kept[np.isin(old, new[~alone])], VALUE_KEY)
    return pd.concat([fresh, again], ignore_index=True)


def _codes_of(kept: pd.DataFrame, incoming: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Give the moments of kept and incoming rows their numbers: rows of one site, sensor and time have one number."""
    codes = _codes(pd.concat([kept[VALUE_KEY], incoming[VALUE_KEY]], ignore_index=True))
    return codes[: len(kept)], codes[len(kept) :]


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
