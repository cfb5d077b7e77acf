"""Which gauging a row belongs to, and whether it says anything new. Decides only; reads and writes nothing."""

from __future__ import annotations

import hashlib
import itertools
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.tables.current_rows import newest_rows
from stillwell.hydrometry.grouped import in_order, starts

TRAIL = ("deposit", "row_file", "row_line", "gauging", "offset_given")
"""Where and how a row was handed in, which is not part of what it says."""

AT_ONCE = 2**17
"""Rows digested at a time."""

FIRST = "first handed in"
CORRECTED = "corrected by the same party"
NAMED = "corrects the gauging it names"


def gauging_ids(site: pd.Series[str], started_at: pd.Series, instrument: pd.Series[str]) -> pd.Series[str]:
    """Name gaugings: ``{site}.{start in UTC as YYYYMMDDTHHMMSSZ}``, then ``.{instrument}`` where one is named.

    Parameters
    ----------
    site, instrument : Series of str
        Codes; the instrument may be missing.
    started_at : Series of UTC times

    Returns
    -------
    Series of str
    """
    stem = site + "." + started_at.dt.strftime("%Y%m%dT%H%M%SZ")
    return stem.where(instrument.isna(), stem + "." + instrument.fillna("")).astype("str")


def digests(
    gaugings: pd.DataFrame, points: pd.DataFrame, gauge_heights: pd.DataFrame
) -> tuple[NDArray[np.object_], pd.Series]:
    """Digest what each gauging says, whatever file, line, label or row order it was handed in with.

    A column in which a gauging holds nothing takes no part, so a column added later changes no digest.

    Parameters
    ----------
    gaugings : DataFrame
        Canonical rows, one per gauging.
    points, gauge_heights : DataFrame
        Canonical rows with ``g``, the number of their gauging's row.

    Returns
    -------
    ndarray of str, shape (number of gaugings,)
        sha256 in hexadecimal.
    Series of str
        Only of the points of each gauging, to find sheets that were copied; empty without points.
    """
    count = len(gaugings)
    of_points = _digests(points, ("g", "vertical", "relative_depth", "repeat"), count)
    parts = (
        _digests(gaugings.assign(g=np.arange(count)), ("g",), count),
        of_points,
        _digests(gauge_heights, ("g", "gauge", "read_at"), count),
    )
    whole = [hashlib.sha256(b"".join(part)).hexdigest() for part in zip(*parts, strict=True)]
    copied = [hashlib.sha256(part).hexdigest() if part else "" for part in of_points]
    return np.array(whole, dtype=object), pd.Series(copied, dtype="str")


def _digests(rows: pd.DataFrame, order: tuple[str, ...], count: int) -> list[bytes]:
    """Digest the rows of each gauging, in the order of a key; nothing for a gauging without rows."""
    out = [b""] * count
    if rows.empty:
        return out
    rows = _sorted(rows, order)
    g = rows["g"].to_numpy()
    begins = starts(g)
    # some at a time, so that what is needed in between does not grow with a season
    cuts = np.unique(np.searchsorted(begins, np.arange(0, len(rows) + AT_ONCE, AT_ONCE)))
    bounds = np.r_[begins, len(rows)]
    for first, last in itertools.pairwise(cuts.tolist()):
        part = _part_digests(rows.iloc[bounds[first] : bounds[last]], begins[first:last] - bounds[first])
        for number, digest in zip(g[begins[first:last]].tolist(), part, strict=True):
            out[number] = digest
    return out


def _sorted(rows: pd.DataFrame, order: tuple[str, ...]) -> pd.DataFrame:
    """Sort by a key; rows that are in order of its numbers already are not copied."""
    keys = [rows[name] for name in order]
    numbers = all(pd.api.types.is_numeric_dtype(key.dtype) for key in keys)
    if numbers and in_order(*(key.to_numpy(dtype="float64", na_value=np.inf) for key in keys)):
        return rows
    return rows.sort_values(list(order), kind="stable")


def _part_digests(rows: pd.DataFrame, begins: NDArray[np.int64]) -> list[bytes]:
    """Digest the rows from each beginning to the next."""
    names = sorted(name for name in rows.columns if name != "g" and name not in TRAIL)
    # a column in which nothing stands takes no part
    names = [name for name in names if rows[name].notna().any()] or names[:1]
    cells, missing = _cells(rows, names)
    ends = np.r_[begins[1:], len(rows)]
    present = np.add.reduceat(~missing, begins, axis=0, dtype=np.int64) > 0
    patterns, which = np.unique(present, axis=0, return_inverse=True)
    out = [b""] * begins.size
    for number, pattern in enumerate(patterns):
        heading = ",".join(name for name, used in zip(names, pattern, strict=True) if used).encode()
        used_cells = np.ascontiguousarray(cells[:, pattern])
        for i in np.flatnonzero(which == number):
            out[i] = hashlib.sha256(heading + used_cells[begins[i] : ends[i]].tobytes()).digest()
    return out


def _cells(rows: pd.DataFrame, names: list[str]) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
    """Write every cell as eight bytes that mean the same on every machine; also say which are missing."""
    cells = np.empty((len(rows), len(names)), dtype="<u8")
    missing = np.empty((len(rows), len(names)), dtype=bool)
    for i, name in enumerate(names):
        values = rows[name]
        missing[:, i] = values.isna().to_numpy()
        if isinstance(values.dtype, pd.DatetimeTZDtype):
            cells[:, i] = values.astype("int64").to_numpy().view("<u8")
        elif pd.api.types.is_string_dtype(values.dtype):
            cells[:, i] = _text_cells(values)
        else:
            # adding zero turns a negative zero into a plain one
            cells[:, i] = (values.to_numpy(dtype="<f8", na_value=np.nan) + 0.0).view("<u8")
    cells[missing] = 0
    return cells, missing


def _text_cells(values: pd.Series[str]) -> NDArray[np.uint64]:
    codes, words = pd.factorize(values)
    numbers = [int.from_bytes(hashlib.sha256(str(word).encode()).digest()[:8], "little") for word in words]
    return np.array([*numbers, 0], dtype="<u8")[codes]


@dataclass
class Kept:
    """What the archive keeps of the gaugings of some sites, kept up to date while a batch is decided on."""

    by_key: dict[str, str] = field(default_factory=dict)
    """Archive id of the gauging that has, or once had, this site, start and instrument."""
    revisions: dict[str, list[tuple[int, str, str, str]]] = field(default_factory=dict)
    """Per archive id: revision, rows digest, party, status, in order of revision."""

    @classmethod
    def of(cls, rows: pd.DataFrame) -> Kept:
        """Build it from the archive's gaugings, all revisions."""
        kept = cls()
        if rows.empty:
            return kept
        newest = newest_rows(rows)
        keys = gauging_ids(newest["site"], newest["started_at"], newest["instrument"])
        party = newest["party"].fillna("")
        columns = (newest["gauging_id"], keys, newest["revision"], newest["rows_digest"], party, newest["status"])
        for gauging_id, key, revision, digest, who, status in zip(*columns, strict=True):
            kept.by_key[key] = gauging_id
            kept.revisions.setdefault(gauging_id, []).append((int(revision), digest, who, status))
        return kept


@dataclass(frozen=True)
class Decision:
    """What becomes of one gauging handed in: new, revision, unchanged, clash or unknown."""

    action: str
    gauging_id: str
    revision: int = 0
    candidate: bool = False
    reason: str = ""
    against: str = ""
    """Rows digest of the revision it was held against."""


def decide(kept: Kept, key: str, corrects: str, party: str, digest: str) -> Decision:
    """Decide what becomes of one gauging, and remember it.

    Parameters
    ----------
    kept : Kept
        What the archive keeps; updated when the gauging is taken.
    key : str
        Archive id made from the gauging's own site, start and instrument.
    corrects, party : str
        As handed in, empty where blank.
    digest : str
        Rows digest of the gauging.

    Returns
    -------
    Decision
        ``unknown`` when it corrects an id that does not exist; ``clash`` when another party's rows differ;
        ``unchanged`` when the rows are those of a revision that is already kept.
    """
    if corrects and corrects not in kept.revisions:
        return Decision("unknown", corrects)
    gauging_id = corrects or kept.by_key.get(key, key)
    known = kept.revisions.get(gauging_id, [])
    same = [revision for revision, rows, *_ in known if rows == digest]
    if same:
        return Decision("unchanged", gauging_id, same[-1], against=digest)
    if known and not corrects:
        number, against, who, _ = known[-1]
        if party and who and party != who:
            return Decision("clash", gauging_id, number, against=against)
    candidate = any(status == "approved" for *_, status in known)
    number = known[-1][0] + 1 if known else 1
    kept.by_key[key] = gauging_id
    kept.revisions.setdefault(gauging_id, []).append((number, digest, party, "provisional"))
    reason = FIRST if number == 1 else (NAMED if corrects else CORRECTED)
    return Decision("revision" if known else "new", gauging_id, number, candidate, reason)
