"""The meters, and one meter: its register, its checks over time with the office's limits, what was measured with it."""

from __future__ import annotations

from typing import Any

import pandas as pd
from starlette.requests import Request
from starlette.responses import Response

from stillwell.reading.policy import policy_shown
from stillwell.reporting.meters import meter_history
from stillwell.room import urls
from stillwell.room.data.archive_view import View
from stillwell.room.data.rows import records
from stillwell.room.pages.page import download_links, page
from stillwell.room.query_params import NotFound

MOST_GAUGINGS = 200
LIMITS = (
    ("check_snr_low_db", "signal-to-noise ratio wanted", "dB"),
    ("check_snr_unusable_db", "signal-to-noise ratio below which the meter is unfit", "dB"),
    ("check_drift_db", "drift of a receiver allowed", "dB"),
    ("check_receivers_apart_db", "receivers apart, at most", "dB"),
    ("check_temperature_c", "thermometer off, at most", "°C"),
    ("check_days", "days between a gauging and a check, at most", "d"),
)


def meters(view: View, request: Request) -> Response:
    """Answer with the meters and the newest verdict on each."""
    return page(
        view,
        request,
        "meters",
        meters=view.memo("meters", lambda: _meters(view)),
        links=download_links("instruments"),
        check_downloads=download_links("checks"),
    )


def _meters(view: View) -> list[dict[str, Any]]:
    instruments, checks = view.standing("instruments"), view.standing("checks")
    codes = set(instruments["instrument"]) if len(instruments) else set()
    codes |= set(checks["instrument"]) if len(checks) else set()
    counted = view.ask(
        "SELECT instrument, count(*) AS n, max(started_at) AS newest FROM gaugings GROUP BY 1"
    ).to_pylist()
    used = {row["instrument"]: row for row in counted if row["instrument"] is not None}
    described = {row["instrument"]: row for row in records(instruments)}
    checked = {row["instrument"]: row for row in records(checks.sort_values("checked_at"))} if len(checks) else {}
    return [
        {"instrument": code, "register": described.get(code), "check": checked.get(code), "used": used.get(code)}
        for code in sorted(codes | set(used))
    ]


def meter_page(view: View, request: Request) -> Response:
    """Answer with a meter."""
    code = urls.decoded(request.path_params["meter"])
    if code not in {meter["instrument"] for meter in view.memo("meters", lambda: _meters(view))}:
        msg = f"This archive has no meter with the code {code!r}."
        raise NotFound(msg)
    checks = _of(view, "checks", code, "checked_at")
    inforce = policy_shown(view.archive)
    history = meter_history(view.archive, code, inforce)
    question = (
        "SELECT gauging_id, site, started_at, discharge_m3_s, within_pct, status FROM gaugings WHERE instrument = ? "
        "ORDER BY started_at DESC LIMIT ?"
    )
    gaugings = view.ask(question, [code, MOST_GAUGINGS]).to_pylist()
    return page(
        view,
        request,
        "meter",
        code=code,
        registers=records(_of(view, "instruments", code, "valid_from")),
        calibrations=records(_of(view, "calibrations", code, "valid_from")),
        checks=records(checks.iloc[::-1]),
        drawing=history.drawing(_started(gaugings), "health") if len(checks) else None,
        gaugings=gaugings,
        limits=[(text, inforce.limit(name), unit, inforce.source(name)) for name, text, unit in LIMITS],
        links=download_links("checks", instrument=code),
        sample_downloads=download_links("check_samples", instrument=code),
        gauging_downloads=download_links("gaugings", instrument=code),
    )


def _started(gaugings: list[dict[str, Any]]) -> pd.Series:
    return pd.Series(pd.to_datetime([row["started_at"] for row in gaugings], utc=True))


def _of(view: View, table: str, code: str, order: str) -> pd.DataFrame:
    rows = view.standing(table)
    return rows[rows["instrument"] == code].sort_values(order, kind="stable") if len(rows) else rows
