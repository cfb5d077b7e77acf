"""What the checks of a meter say, laid out for its drawing and its tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup

from stillwell.archive.archive import Archive
from stillwell.assessment.health import Health, assess_health
from stillwell.drawing.health import Quantity, health_svg
from stillwell.reading.policy import PolicyShown
from stillwell.reporting.page import drawn, us


@dataclass(frozen=True)
class MeterHistory:
    """Checks of one meter that stand, and the figures they rest on."""

    checks: pd.DataFrame
    health: Health | None
    inforce: PolicyShown

    def drawing(self, gauged: pd.Series, name: str) -> Markup:
        """Draw the history, with the moments of some gaugings."""
        verdicts = pd.DataFrame(
            {"time_us": us(self.checks["checked_at"]), "verdict": self.checks["verdict"], "label": self.checks["check"]}
        )
        moments = us(gauged.dropna()).to_numpy() if len(gauged) else None
        return drawn(health_svg(verdicts, _quantities(self.health, self.inforce), moments, name))


def meter_history(archive: Archive, instrument: str, inforce: PolicyShown, as_of: Any = None) -> MeterHistory:
    """Read the checks of a meter and summarise their samples.

    Parameters
    ----------
    archive : Archive
    instrument : str
    inforce : PolicyShown
        Whose limits are drawn; verdicts are those recorded.
    as_of : datetime, optional

    Returns
    -------
    MeterHistory
    """
    checks = archive.at(as_of).standing("checks")
    checks = checks[checks["instrument"] == instrument].sort_values(["checked_at", "check"], kind="stable")
    samples = archive.at(as_of).standing("check_samples")
    samples = samples[samples["check"].isin(set(checks["check"]))]
    health = assess_health(samples, inforce.policy.health_limits(), samples) if len(samples) else None
    return MeterHistory(checks.reset_index(drop=True), health, inforce)


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
            rows = pd.DataFrame({"time_us": us(frame["checked_at"]), "value": frame[column].astype("float64")})
            rows = rows.assign(series=series, label=frame["check"])
            lines = tuple((sign * inforce.limit(n), f"{word} {sign * inforce.limit(n):g}") for n, sign, word in limits)
            out.append(Quantity(label, rows, lines, LEAST_SPAN.get(column, 0.0)))
    return out


def receiver_rows(history: MeterHistory) -> pd.DataFrame:
    """List the figures of every receiver of every check, newest first."""
    if history.health is None:
        return pd.DataFrame(columns=["check", "receiver", *(c for c, _, _ in RECEIVER_FIGURES), "samples"])
    return history.health.receivers.sort_values(["checked_at", "check", "receiver"], ascending=[False, False, True])


def limit_rows(inforce: PolicyShown) -> list[dict[str, Any]]:
    """List the limits a check is held against, with their sources."""
    names = dict.fromkeys(n for _, _, limits in (*RECEIVER_FIGURES, *CHECK_FIGURES) for n, _, _ in limits)
    names |= dict.fromkeys(("check_history", "check_history_sigmas", "check_history_least_db", "check_history_least_c"))
    return [{"name": n, "value": inforce.limit(n), "source": inforce.source(n)} for n in names]
