"""The report of a meter: every figure of its checks over time, verdicts with reasons, and what they touch."""

from __future__ import annotations

from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.reading.policy import policy_shown
from stillwell.reporting.meters import limit_rows, meter_history, receiver_rows
from stillwell.reporting.page import page, rows_of, some

MOST = 300
"""Rows of a table; what is left out is counted."""
METER_CODES = ("meter-unfit", "meter-watch", "check-missing")


def meter_report(archive: Archive, instrument: str, as_of: Any = None) -> str:
    """Write the report of a meter.

    Parameters
    ----------
    archive : Archive
    instrument : str
        Code of the meter.
    as_of : datetime, optional

    Returns
    -------
    str
        A self-contained HTML page.

    Raises
    ------
    QueryError
        If neither register nor checks nor gaugings know such a meter.
    """
    register = archive.at(as_of).standing("instruments")
    register = register[register["instrument"] == instrument].sort_values("valid_from", na_position="first")
    inforce = policy_shown(archive.at(as_of))
    history = meter_history(archive, instrument, inforce, as_of)
    gaugings = archive.at(as_of).standing("gaugings")
    gaugings = gaugings[gaugings["instrument"] == instrument].sort_values("started_at", kind="stable")
    if register.empty and history.checks.empty and gaugings.empty:
        names = ", ".join(sorted(archive.standing("instruments")["instrument"].unique())[:20]) or "none"
        msg = f"expected a meter this archive knows, found {instrument!r}; its register names {names}"
        raise QueryError(msg)
    calibrations = archive.at(as_of).standing("calibrations")
    calibrations = calibrations[calibrations["instrument"] == instrument].sort_values(["valid_from", "from_rev_s"])
    checks, more_checks = some(history.checks.iloc[::-1], MOST)
    receivers, more_receivers = some(receiver_rows(history), MOST)
    touched, more_touched = some(_touched(archive, gaugings, as_of), MOST)
    return page(
        "meter.html",
        archive,
        instrument=instrument,
        as_of=as_of,
        register=rows_of(register),
        calibrations=rows_of(calibrations),
        drawing=history.drawing(gaugings["started_at"], "health") if len(history.checks) else None,
        checks=rows_of(checks),
        more_checks=more_checks,
        receivers=rows_of(receivers),
        more_receivers=more_receivers,
        counts={v: int((history.checks["verdict"] == v).sum()) for v in ("healthy", "watch", "unfit")},
        limits=limit_rows(inforce),
        policy=inforce,
        touched=rows_of(touched),
        more_touched=more_touched,
        gaugings=len(gaugings),
    )


def _touched(archive: Archive, gaugings: pd.DataFrame, as_of: Any) -> pd.DataFrame:
    """List gaugings with findings about the meter."""
    if gaugings.empty:
        return gaugings.assign(codes=pd.Series(dtype="str"))
    findings = archive.at(as_of).standing("findings", sites=sorted(gaugings["site"].unique()))
    mine = findings[findings["code"].isin(METER_CODES)]
    codes = mine.groupby("gauging_id")["code"].agg(lambda s: ", ".join(sorted(set(s))))
    out = gaugings.assign(codes=gaugings["gauging_id"].map(codes))
    return out[out["codes"].notna()]
