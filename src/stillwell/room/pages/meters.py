"""The meters, and one meter: its register, its checks over time with the office's limits, what was measured with it."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from stillwell.assessment.policy import Policy
from stillwell.room import urls
from stillwell.room.data.archive_view import View
from stillwell.room.data.in_force import policy_of
from stillwell.room.data.rows import records
from stillwell.room.drawings.pictures import history
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
    samples = _of(view, "check_samples", code, "checked_at")
    policy = view.memo("policy", lambda: policy_of(view))
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
        pictures=_pictures(checks, samples, policy),
        gaugings=gaugings,
        limits=[(said, policy.value(name), unit, policy.limits[name].source) for name, said, unit in LIMITS],
        links=download_links("checks", instrument=code),
        sample_downloads=download_links("check_samples", instrument=code),
        gauging_downloads=download_links("gaugings", instrument=code),
    )


def _of(view: View, table: str, code: str, order: str) -> pd.DataFrame:
    rows = view.standing(table)
    return rows[rows["instrument"] == code].sort_values(order, kind="stable") if len(rows) else rows


def _pictures(checks: pd.DataFrame, samples: pd.DataFrame, policy: Policy) -> list[Markup]:
    if checks.empty:
        return []
    times, said = (
        checks["checked_at"].tolist(),
        [f"{c}, {v}" for c, v in zip(checks["check"], checks["verdict"], strict=True)],
    )
    off = (checks["water_temperature_c"] - checks["reference_temperature_c"]).tolist()
    allowed = policy.value("check_temperature_c")
    low, unusable = policy.value("check_snr_low_db"), policy.value("check_snr_unusable_db")
    drawn = [
        history(
            times,
            checks["snr_db"].tolist(),
            said,
            "Lowest signal-to-noise ratio",
            "dB",
            [("wanted", low), ("unfit below", unusable)],
        ),
        history(
            times, off, said, "Meter's thermometer less the other", "°C", [("allowed", allowed), ("allowed", -allowed)]
        ),
        *(history(times, values, said, title, unit) for title, values, unit in _of_samples(checks, samples)),
    ]
    return [picture for picture in drawn if picture is not None]


def _of_samples(checks: pd.DataFrame, samples: pd.DataFrame) -> list[tuple[str, list[float], str]]:
    """Average the further quantities of each check over its samples."""
    if samples.empty:
        return []
    columns = {
        "noise_db": ("Mean noise level", "dB"),
        "echo_range_m": ("Mean distance of the boundary echo", "m"),
        "battery_v": ("Mean battery voltage", "V"),
    }
    means = samples.groupby("check")[list(columns)].mean()
    return [(title, checks["check"].map(means[name]).tolist(), unit) for name, (title, unit) in columns.items()]
