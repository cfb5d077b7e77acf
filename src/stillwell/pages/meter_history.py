"""What the checks of a meter say, laid out for its drawing and its tables."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
from markupsafe import Markup

from stillwell.assessment.health import Health, assess_health
from stillwell.drawing.health import Quantity, health_svg
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import drawn
from stillwell.pages.ratings import policy_for_pages
from stillwell.reading.policy import PolicyShown


@dataclass(frozen=True)
class MeterHistory:
    """Checks of one meter that stand, and the figures they rest on."""

    checks: pd.DataFrame
    health: Health | None
    inforce: PolicyShown

    def drawing(self, gauged: pd.Series) -> Markup | None:
        """Draw the history, with the moments of some gaugings; None without a check."""
        checks = self.checks
        if checks.empty:
            return None
        moments = microseconds(checks["checked_at"])
        verdicts = pd.DataFrame({"time_us": moments, "verdict": checks["verdict"], "label": checks["check"]})
        ticks = microseconds(gauged.dropna()) if len(gauged) else None
        return drawn(health_svg(verdicts, _quantities(self.health, self.inforce), ticks, "health"))


def meter_history(view: View, instrument: str, digest: str | None = None) -> MeterHistory:
    """Read the checks of a meter, in order of time, and summarise their samples.

    Parameters
    ----------
    view : View
    instrument : str
    digest : str, optional
        Of the policy whose limits are drawn, without it that in force; verdicts are those recorded.

    Returns
    -------
    MeterHistory
    """
    history: MeterHistory = view.memo(
        ("meter-history", instrument, digest), lambda: _read(view, instrument, policy_for_pages(view, digest))
    )
    return history


def _read(view: View, instrument: str, inforce: PolicyShown) -> MeterHistory:
    checks = rows_of_meter(view, "checks", instrument, "checked_at", "check")
    if checks.empty:
        return MeterHistory(checks, None, inforce)
    samples = view.standing("check_samples")
    samples = samples[samples["check"].isin(set(checks["check"]))]
    health = assess_health(samples, inforce.policy.health_limits(), samples) if len(samples) else None
    return MeterHistory(checks, health, inforce)


def rows_of_meter(view: View, table: str, instrument: str, *order: str) -> pd.DataFrame:
    """Read the rows of a table that stand of a meter, in an order."""
    rows = view.standing(table)
    if rows.empty:
        return rows
    rows = rows[rows["instrument"] == instrument].sort_values(list(order), na_position="first", kind="stable")
    return rows.reset_index(drop=True)


RECEIVER_FIGURES = (
    ("snr_db", "signal-to-noise ratio, dB",
     (("check_snr_unusable_db", 1, "unfit below"), ("check_snr_low_db", 1, "wanted"))),
    ("noise_db", "noise level, dB", ()),
    ("echo_db", "echo level, dB", ()),
    ("spread_db", "spread of the signal-to-noise ratio, dB", (("check_spread_db", 1, "allowed"),)),
    ("drift_db", "drift within the check, dB", (("check_drift_db", 1, "allowed"), ("check_drift_db", -1, "allowed"))),
)  # fmt: skip
CHECK_FIGURES = (
    ("apart_db", "receivers apart, dB", (("check_receivers_apart_db", 1, "allowed"),)),
    ("temperature_c", "thermometer less reference, degrees C",
     (("check_temperature_c", 1, "allowed"), ("check_temperature_c", -1, "allowed"))),
    ("samples", "samples", (("check_samples", 1, "wanted"),)),
    ("rate_hz", "samples a second", (("check_rate_hz", 1, "wanted"),)),
)  # fmt: skip
"""Figure of a check, what it is called, and its limits: name in the policy, sign, what it means."""

LEAST_SPAN = {"noise_db": 6.0, "echo_db": 6.0, "spread_db": 2.0}
"""Span the axis of a figure has at least (chosen)."""


def _quantities(health: Health | None, inforce: PolicyShown) -> list[Quantity]:
    if health is None:
        return []
    out = []
    for frame, figures in ((health.receivers, RECEIVER_FIGURES), (health.checks, CHECK_FIGURES)):
        series = frame["receiver"].astype("int64") if "receiver" in frame else 0
        for column, label, limits in figures:
            rows = frame[["check"]].rename(columns={"check": "label"})
            rows = rows.assign(
                time_us=microseconds(frame["checked_at"]), value=frame[column].astype("float64"), series=series
            )
            lines = tuple((sign * inforce.limit(n), f"{word} {sign * inforce.limit(n):g}") for n, sign, word in limits)
            out.append(Quantity(label, rows, lines, LEAST_SPAN.get(column, 0.0)))
    return out


def receiver_rows(history: MeterHistory) -> pd.DataFrame:
    """List the figures of every receiver of every check, newest first."""
    if history.health is None:
        return pd.DataFrame(columns=["check", "receiver", *(c for c, _, _ in RECEIVER_FIGURES), "samples"])
    return history.health.receivers.sort_values(["checked_at", "check", "receiver"], ascending=[False, False, True])
