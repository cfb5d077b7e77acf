"""Ratings and shifts adopted: written down as a deposit with who, when and why, and taken like any other."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd

from stillwell.archive.disk.lock import WAIT_S
from stillwell.fingerprint import folder_digest
from stillwell.hydrometry.rating.fit import RatingFit
from stillwell.hydrometry.rating.segments import rows_of
from stillwell.intake.readers.deposit import table_file
from stillwell.pipeline.committing import utc_now
from stillwell.pipeline.ingest import Taken, take
from stillwell.shared_types import Deposit


def deposit_of(name: str, tables: Mapping[str, Sequence[Mapping[str, object]]]) -> Deposit:
    """Write tables as a folder of CSV files, by name."""
    files = tuple(
        table_file(table, [{key: _cell(value) for key, value in row.items()} for row in rows])
        for table, rows in sorted(tables.items())
    )
    return Deposit(name, "folder", folder_digest((f.path, f.data) for f in files), files)


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    return repr(float(value)) if isinstance(value, float) else str(value)


def rating_deposit(
    site: str,
    name: str,
    made: RatingFit,
    *,
    gaugings: Sequence[str] = (),
    valid_from: datetime | None,
    by: str,
    reason: str,
) -> Deposit:
    """Write a fitted rating down as a deposit.

    A fit that left a number on its bound cannot say how sure it is: its covariance stays blank, and its record takes
    the office's ``rating_uncertainty_pct``.

    Parameters
    ----------
    site, name : str
        Code of the site and name of the rating.
    made : RatingFit
    gaugings : sequence of str
        What it was fitted to, each as ``archive id/revision``.
    valid_from : datetime
        From when it holds.
    by, reason : str

    Returns
    -------
    Deposit
        ``ratings.csv`` and ``rating_segments.csv``.
    """
    rating = {
        "rating": name,
        "site": site,
        "valid_from": "" if valid_from is None else valid_from.isoformat(),
        "gauged_from_m": float(made.lowest_m),
        "gauged_to_m": float(made.highest_m),
        "standard_error_pct": 100 * float(made.standard_error),
        "freedom": float(made.freedom),
        "covariance": "" if made.at_bound else json.dumps([[float(value) for value in row] for row in made.covariance]),
        "gaugings": "; ".join(gaugings),
        "by": by,
        "reason": reason,
    }
    segments = [
        {"rating": name} | {str(k): v for k, v in row.items()} for row in rows_of(made.curve).to_dict("records")
    ]
    return deposit_of(f"rating {name}", {"ratings": [rating], "rating_segments": segments})


def shifts_deposit(rating: str, entries: pd.DataFrame, *, by: str, reason: str) -> Deposit:
    """Write proposed shifts down as a deposit; ``entries`` as of ``shift_proposal.Proposal``."""
    rows = [
        {
            "rating": rating,
            "from": pd.Timestamp(row["start"]).tz_localize("UTC").isoformat(),
            "stage_m": float(row["stage_m"]),
            "shift_m": float(row["shift_m"]),
            "by": by,
            "reason": reason,
        }
        for row in entries.to_dict("records")
    ]
    return deposit_of(f"shifts of {rating}", {"shifts": rows})


def adopt(
    root: Path,
    deposit: Deposit,
    *,
    by: str,
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    render_now: bool = True,
) -> Taken:
    """Take a deposit of ratings or shifts whole; where any of it would be returned, nothing is written."""
    return take(root, [deposit], by=by, whole=True, now=now, wait_s=wait_s, render_now=render_now)
