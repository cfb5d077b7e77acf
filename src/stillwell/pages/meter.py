"""The page of a meter: its checks over time with the office's limits, and what was measured with it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from stillwell.errors import QueryError
from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import records
from stillwell.pages.meter_history import meter_history, receiver_rows, rows_of_meter
from stillwell.pages.ratings import policy_for_pages

MOST = 300
"""Rows of a table; what is left out is counted."""
METER_CODES = ("meter-unfit", "meter-watch", "check-missing")
LIMITS = (
    ("check_snr_low_db", "signal-to-noise ratio wanted", "dB"),
    ("check_snr_unusable_db", "signal-to-noise ratio below which the meter is unfit", "dB"),
    ("check_spread_db", "spread of the signal-to-noise ratio allowed", "dB"),
    ("check_drift_db", "drift of a receiver allowed", "dB"),
    ("check_receivers_apart_db", "receivers apart, at most", "dB"),
    ("check_temperature_c", "thermometer off, at most", "°C"),
    ("check_samples", "samples wanted", ""),
    ("check_rate_hz", "samples a second wanted", "Hz"),
    ("check_history", "earlier checks that make a history", ""),
    ("check_history_sigmas", "robust standard deviations from the history allowed", ""),
    ("check_history_least_db", "least standard deviation a history is taken to have", "dB"),
    ("check_history_least_c", "least standard deviation a history is taken to have", "°C"),
    ("check_days", "days between a gauging and a check, at most", "d"),
)
"""Limit of the policy, what it means, its unit."""
_GAUGINGS = """
  SELECT gauging_id, site, started_at, discharge_m3_s, within_pct, status FROM gaugings WHERE instrument = ?
  ORDER BY started_at DESC, gauging_id"""
_CODES = """
  SELECT gauging_id, string_agg(DISTINCT code, ', ' ORDER BY code) AS codes FROM findings
  WHERE code IN (?, ?, ?) AND gauging_id IN (SELECT gauging_id FROM gaugings WHERE instrument = ?) GROUP BY 1"""


def meter_page(view: View, instrument: str) -> dict[str, Any]:
    """Return what the page of a meter shows.

    Parameters
    ----------
    view : View
    instrument : str
        Code of the meter.

    Raises
    ------
    QueryError
        If neither register nor checks nor gaugings know such a meter.
    """
    registers = rows_of_meter(view, "instruments", instrument, "valid_from")
    policy = policy_for_pages(view)
    history = meter_history(view, instrument)
    gaugings = view.ask(_GAUGINGS, [instrument]).to_pylist() if "gaugings" in view.tables else []
    if registers.empty and history.checks.empty and not gaugings:
        known = view.standing("instruments")
        names = ", ".join(sorted(known["instrument"].unique())[:20] if len(known) else []) or "none"
        msg = f"expected a meter this archive knows, found {instrument!r}; its register names {names}"
        raise QueryError(msg)
    coded = view.ask(_CODES, [*METER_CODES, instrument]).to_pylist() if gaugings and "findings" in view.tables else []
    codes = {row["gauging_id"]: row["codes"] for row in coded}
    listed = [row | {"codes": codes.get(row["gauging_id"])} for row in gaugings]
    started = pd.Series(pd.to_datetime([row["started_at"] for row in gaugings], utc=True))
    checks, receivers = history.checks.iloc[::-1], receiver_rows(history)
    return {
        "code": instrument,
        "registers": records(registers),
        "calibrations": records(rows_of_meter(view, "calibrations", instrument, "valid_from", "from_rev_s")),
        "checks": records(checks.head(MOST)),
        "many_checks": len(checks),
        "counts": {word: int((checks["verdict"] == word).sum()) if len(checks) else 0
                   for word in ("healthy", "watch", "unfit")},
        "receivers": records(receivers.head(MOST)),
        "more_receivers": max(len(receivers) - MOST, 0),
        "drawing": history.drawing(started),
        "policy": policy,
        "limits": [(name, text, policy.limit(name), unit, policy.source(name)) for name, text, unit in LIMITS],
        "gaugings": [row for place, row in enumerate(listed) if place < MOST or row["codes"]],
        "many_gaugings": len(gaugings),
        "links": urls.downloads("checks", instrument=instrument),
        "sample_downloads": urls.downloads("check_samples", instrument=instrument),
        "gauging_downloads": urls.downloads("gaugings", instrument=instrument),
    }  # fmt: skip
