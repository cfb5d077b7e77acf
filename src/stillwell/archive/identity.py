"""Which gauging a row belongs to, and whether it says anything new. Decides only; reads and writes nothing."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

TRAIL = ("deposit", "row_file", "row_line", "gauging", "offset_given")
"""Where and how a row was handed in, which is not part of what it says."""

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


def rows_digests(gaugings: pd.DataFrame, points: pd.DataFrame, gauge_heights: pd.DataFrame) -> NDArray[np.object_]:
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
    """
    count = len(gaugings)
    own = gaugings.assign(g=np.arange(count))
    parts = (
        _digests(own, ("g",), count),
        _digests(points, ("g", "vertical", "relative_depth", "repeat"), count),
        _digests(gauge_heights, ("g", "gauge", "read_at"), count),
    )
    joined = (b"".join(part) for part in zip(*parts, strict=True))
    return np.array([hashlib.sha256(data).hexdigest() for data in joined], dtype=object)


def points_digests(count: int, points: pd.DataFrame) -> pd.Series:
    """Digest only the points of each gauging, to find sheets that were copied; empty without points.

    Parameters
    ----------
    count : int
        Number of gaugings.
    points : DataFrame
        Canonical rows with ``g``.

    Returns
    -------
    Series of str
    """
    parts = _digests(points, ("g", "vertical", "relative_depth", "repeat"), count)
    return pd.Series([hashlib.sha256(part).hexdigest() if part else "" for part in parts], dtype="str")


def _digests(rows: pd.DataFrame, order: tuple[str, ...], count: int) -> list[bytes]:
    """Digest the rows of each gauging, in the order of a key; nothing for a gauging without rows."""
    out = [b""] * count
    if rows.empty:
        return out
    rows = rows.sort_values(list(order), kind="stable") if len(order) > 1 else rows
    names = sorted(name for name in rows.columns if name != "g" and name not in TRAIL)
    cells, missing = _cells(rows, names)
    g = rows["g"].to_numpy()
    starts = np.flatnonzero(np.r_[True, g[1:] != g[:-1]])
    ends = np.r_[starts[1:], len(g)]
    present = np.add.reduceat(~missing, starts, axis=0, dtype=np.int64) > 0
    patterns, which = np.unique(present, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        heading = ",".join(name for name, used in zip(names, pattern, strict=True) if used).encode()
        used_cells = np.ascontiguousarray(cells[:, pattern])
        for i in np.flatnonzero(which == number):
            data = used_cells[starts[i] : ends[i]].tobytes()
            out[g[starts[i]]] = hashlib.sha256(heading + data).digest()
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
        newest = rows.sort_values(["gauging_id", "revision", "recorded_at"], kind="stable")
        newest = newest.drop_duplicates(["gauging_id", "revision"], keep="last")
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
