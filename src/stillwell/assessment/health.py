"""Health of a meter: its checks against limits and its own history, and what they mean for gaugings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.schemas.words import INSTRUMENT_KINDS, VERDICTS

Floats = NDArray[np.float64]
Line = tuple[str, bool, str]
Way = Literal["backward", "forward"]
WAYS: tuple[Way, Way] = ("backward", "forward")

LIMITS = (
    "check_samples",
    "check_rate_hz",
    "check_snr_low_db",
    "check_snr_unusable_db",
    "check_spread_db",
    "check_drift_db",
    "check_receivers_apart_db",
    "check_temperature_c",
    "check_history",
    "check_history_sigmas",
    "check_history_least_db",
    "check_history_least_c",
)
"""Limits of the policy that a check is compared with; the policy has their values and sources."""

LEVELS = ("snr_db", "noise_db", "echo_db")

KNOWN: tuple[tuple[str, str, tuple[str, ...], str], ...] = (
    ("snr_db", "signal-to-noise of {:.1f} dB", ("instrument", "receiver", "place"), "check_history_least_db"),
    ("noise_db", "noise level of {:.1f} dB", ("instrument", "receiver"), "check_history_least_db"),
    ("echo_db", "echo level of {:.1f} dB", ("instrument", "receiver", "place"), "check_history_least_db"),
    ("temperature_c", "thermometer off by {:+.1f} degrees", ("instrument",), "check_history_least_c"),
)
"""Figures compared with the meter's history: column, words, which earlier checks are alike, and the limit that names
the robust deviation below which a history is never taken to be narrower. What the water scatters back differs between
office and field, a receiver's own noise does not (common practice, no source)."""

BLOCK = 500
"""Checks of one receiver that are compared with its history at a time."""

EVEN = 1e-9
"""By how much a figure may pass a limit and still be the same number, rounded differently."""

ROBUST = 1.4826
"""Ratio of standard deviation to median absolute deviation of a normal distribution (an identity)."""


@dataclass(frozen=True)
class Health:
    """Verdict of each check, its reasons one by one, and the figures it rests on."""

    verdicts: pd.DataFrame
    """``check``, ``instrument``, ``checked_at``, ``verdict``, ``reasons``."""
    reasons: pd.DataFrame
    """``check``, ``unfit`` (whether it makes the meter so), ``reason``; none for a healthy check."""
    receivers: pd.DataFrame
    """Per check and receiver: ``snr_db``, ``noise_db``, ``echo_db``, ``spread_db``, ``drift_db``, ``samples``."""
    checks: pd.DataFrame
    """Per check: ``samples``, ``rate_hz``, ``apart_db``, ``temperature_c``, ``usable``."""


def assess_health(checks: pd.DataFrame, limits: Mapping[str, float], history: pd.DataFrame) -> Health:
    """Judge diagnostic checks of meters.

    Per receiver: mean m of a level, spread ``1.4826 median|x - median x|``, drift = median of the later half minus
    median of the earlier half of the samples. Against its history h of at least N earlier checks a figure x is unlike
    when ``|x - median h| > k max(1.4826 median|h - median h|, least)``. A check is unfit when a receiver is unusable or
    the thermometer is wrong; to be watched for any other reason; else healthy. A missing quantity gives no reason.

    Parameters
    ----------
    checks : DataFrame
        Rows of ``check_samples`` of the checks to judge.
    limits : mapping of str to float
        With the names of ``LIMITS``; N is ``check_history``, k ``check_history_sigmas``.
    history : DataFrame
        Rows of ``check_samples`` of all checks known; those earlier than a check, with the same meter, are its history.

    Returns
    -------
    Health

    Notes
    -----
    Limits, least deviations and their sources: the office's policy.
    """
    receivers, earlier = _receivers(checks), _receivers(history)
    whole, before = _whole(checks, receivers), _whole(history, earlier)
    lines = _against_limits(whole, receivers, limits)
    for column, words, alike, least in KNOWN:
        mine, known = (receivers, earlier) if "receiver" in alike else (whole, before)
        lines += _against_history(mine, known, (column, words, alike, least), limits)
    reasons = pd.DataFrame(lines, columns=["check", "unfit", "reason"])
    reasons = reasons.astype({"check": "str", "unfit": "bool", "reason": "str"})
    unfit = whole["check"].isin(set(reasons.loc[reasons["unfit"], "check"]))
    watch = whole["check"].isin(set(reasons["check"]))
    word = np.where(unfit, VERDICTS[2], np.where(watch, VERDICTS[1], VERDICTS[0]))
    texts = {
        str(check): "; ".join(dict.fromkeys(texts_of_check))
        for check, texts_of_check in reasons.groupby("check")["reason"]
    }
    verdicts = whole[["check", "instrument", "checked_at"]].assign(
        verdict=pd.Series(word, dtype="str", index=whole.index),
        reasons=pd.Series([texts.get(str(check), "") for check in whole["check"]], dtype="str", index=whole.index),
    )
    return Health(verdicts, reasons, receivers, whole)


def _receivers(samples: pd.DataFrame) -> pd.DataFrame:
    """Summarise the samples of each receiver of each check."""
    key = ["check", "receiver"]
    rows = samples.sort_values([*key, "sample"], kind="stable")
    rows = rows.assign(samples=rows[list(LEVELS)].notna().any(axis=1))
    groups = rows.groupby(key, sort=True)
    middle = groups["snr_db"].transform("median")
    spread = ROBUST * (rows["snr_db"] - middle).abs().groupby([rows[name] for name in key]).median()
    place = groups.cumcount() / groups["sample"].transform("size")
    early, late = (rows[half].groupby(key)["snr_db"].median() for half in (place < 0.5, place >= 0.5))
    figures = groups[["instrument", "checked_at", "place"]].first().join(groups[list(LEVELS)].mean())
    count = groups["samples"].sum().astype("float64")
    return figures.assign(spread_db=spread, drift_db=late - early, samples=count).reset_index()


def _whole(samples: pd.DataFrame, receivers: pd.DataFrame) -> pd.DataFrame:
    """Summarise each check as a whole."""
    groups = samples.groupby("check", sort=True)
    count = groups["sample"].nunique().astype("float64")
    span = groups["sample_s"].max() - groups["sample_s"].min()
    by_check = receivers.groupby("check")
    off = samples["water_temperature_c"] - samples["reference_temperature_c"]
    figures = groups[["instrument", "checked_at", "place"]].first()
    return figures.assign(
        samples=count,
        rate_hz=(count - 1) / span.where(span > 0),
        apart_db=by_check["snr_db"].max() - by_check["snr_db"].min(),
        temperature_c=off.groupby(samples["check"]).median(),
        usable=by_check["samples"].max() > 0,
    ).reset_index()


def _against_limits(whole: pd.DataFrame, receivers: pd.DataFrame, limits: Mapping[str, float]) -> list[Line]:
    """List the limits each check misses: check, whether that makes the meter unfit, and the reason."""
    low, bad = limits["check_snr_low_db"], limits["check_snr_unusable_db"]
    fewest, rate = limits["check_samples"], limits["check_rate_hz"]
    apart, degrees = limits["check_receivers_apart_db"], limits["check_temperature_c"]
    out: list[Line] = []

    def add(rows: pd.DataFrame, mask: pd.Series, unfit: bool, sentence: str, *shown: str) -> None:
        for values in rows.loc[mask.fillna(False).to_numpy(dtype=bool), ["check", *shown]].itertuples(index=False):
            out.append((str(values[0]), unfit, sentence.format(*values[1:])))

    of_check = whole.set_index("check").reindex(receivers["check"]).set_index(receivers.index)
    snr, samples = receivers["snr_db"], receivers["samples"]
    weak = "receiver {}: signal-to-noise of {:.1f} dB, "
    dead = snr < bad - EVEN
    add(receivers, dead, True, f"{weak}below {bad:g}", "receiver", "snr_db")
    add(receivers, (snr < low - EVEN) & ~dead, False, f"{weak}{low:g} wanted", "receiver", "snr_db")
    for column, name in (("spread_db", "spread"), ("drift_db", "drift")):
        limit = limits[f"check_{column}"]
        wrong = receivers[column].abs() > limit + EVEN
        add(receivers, wrong, False, f"receiver {{}}: {name} of {{:.1f}} dB, {limit:g} allowed", "receiver", column)
    silent = of_check["usable"].astype("bool") & (samples == 0)
    add(receivers, silent, False, "receiver {}: no level was recorded", "receiver")
    gaps = (samples > 0) & (samples < fewest) & (samples < of_check["samples"])
    add(receivers, gaps, False, f"receiver {{}}: {{:.0f}} samples, {fewest:g} wanted", "receiver", "samples")
    add(whole, whole["apart_db"] > apart + EVEN, False, f"receivers {{:.1f}} dB apart, {apart:g} allowed", "apart_db")
    warm = whole["temperature_c"].abs() > degrees + EVEN
    add(whole, warm, True, f"thermometer off by {{:+.1f}} degrees, {degrees:g} allowed", "temperature_c")
    add(whole, whole["samples"] < fewest, False, f"{{:.0f}} samples, {fewest:g} wanted", "samples")
    slow = whole["rate_hz"] < rate - EVEN
    add(whole, slow, False, f"{{:.2f}} samples a second, {rate:g} wanted", "rate_hz")
    add(whole, ~whole["usable"].astype("bool"), False, "no level was recorded")
    return out


def _against_history(
    mine: pd.DataFrame,
    known: pd.DataFrame,
    quantity: tuple[str, str, tuple[str, ...], str],
    limits: Mapping[str, float],
) -> list[Line]:
    """List the checks that are unlike the earlier checks of their meter."""
    column, words, alike, least = quantity
    past = dict(iter(known.dropna(subset=[column]).groupby(list(alike))))
    out: list[Line] = []
    for key, rows in mine.dropna(subset=[column]).groupby(list(alike)):
        then = past.get(key, known.iloc[:0])
        for start in range(0, len(rows) if len(then) else 0, BLOCK):
            block = rows.iloc[start : start + BLOCK]
            middle, sigma, count = _earlier(block, then, column)
            allowed = limits["check_history_sigmas"] * np.maximum(sigma, limits[least])
            value = block[column].to_numpy(dtype="float64")
            wrong = (count >= limits["check_history"]) & (np.abs(value - middle) > allowed + EVEN)
            for i in np.flatnonzero(wrong):
                whose = f"receiver {block['receiver'].iloc[i]}: " if "receiver" in alike else ""
                was = f"{middle[i]:.1f} in its own history of {count[i]} checks, {allowed[i]:.1f} from it allowed"
                out.append((str(block["check"].iloc[i]), False, f"{whose}{words.format(value[i])}, {was}"))
    return out


def _earlier(block: pd.DataFrame, then: pd.DataFrame, column: str) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Return median, robust deviation and number of what was known before each row of a block."""
    when, past = (rows["checked_at"].to_numpy(dtype="datetime64[us]") for rows in (block, then))
    values = np.where(past[None, :] < when[:, None], then[column].to_numpy(dtype="float64")[None, :], np.nan)
    middle = _medians(values)
    return middle, ROBUST * _medians(np.abs(values - middle[:, None])), np.isfinite(values).sum(axis=1)


def _medians(values: Floats) -> Floats:
    """Return the median of what is present in each row; NaN where nothing is."""
    ordered = np.sort(values, axis=1)
    count = np.isfinite(values).sum(axis=1)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, values.shape[1] - 1)
    rows = np.arange(len(values))
    return np.asarray((ordered[rows, low] + ordered[rows, high]) / 2)


def ties(
    gaugings: pd.DataFrame,
    verdicts: pd.DataFrame,
    days: float,
    kinds: pd.Series | None = None,
    asked: tuple[str, ...] = (INSTRUMENT_KINDS[0],),
) -> pd.DataFrame:
    """Tie gaugings to the last check of their meter before the start and the first after it.

    Parameters
    ----------
    gaugings : DataFrame
        ``gauging_id``, ``instrument``, ``started_at``, ``ended_at``.
    verdicts : DataFrame
        ``check``, ``instrument``, ``checked_at``, ``verdict``.
    days : float
        Within which a check is wanted.
    kinds : Series of str, optional
        Kind of the meter of each gauging, as in the register. Without it a meter never checked is not blamed.
    asked : tuple of str
        Kinds that must be checked: one of them that never was has no check within the days.

    Returns
    -------
    DataFrame
        One row per gauging: ``check_before``, ``verdict_before``, ``check_after``, ``verdict_after``,
        ``nearest_days`` (missing where there is no check), ``no_check_within`` and ``suspect_since_healthy``: the check
        that decides before the gauging, or the first that decides after it, found the meter unfit; a check to be
        watched decides nothing. Of checks made at one moment the worst counts.
    """
    before, after = (_nearest(gaugings, verdicts, way) for way in WAYS)
    deciding = verdicts[verdicts["verdict"] != VERDICTS[1]]
    unfit = [_nearest(gaugings, deciding, way)["verdict"] == VERDICTS[2] for way in WAYS]
    started = gaugings["started_at"].reset_index(drop=True)
    apart = np.fmin(
        (started - before["checked_at"]).dt.total_seconds().to_numpy(),
        (after["checked_at"] - started).dt.total_seconds().to_numpy(),
    )
    nearest = np.asarray(apart, dtype="float64") / 86_400
    bound = np.zeros(len(gaugings), dtype=bool) if kinds is None else kinds.isin(asked).to_numpy(dtype=bool)
    return pd.DataFrame(
        {
            "check_before": before["check"],
            "verdict_before": before["verdict"],
            "check_after": after["check"],
            "verdict_after": after["verdict"],
            "nearest_days": nearest,
            "no_check_within": (nearest > days) | (np.isnan(nearest) & bound),
            "suspect_since_healthy": (unfit[0] | unfit[1]).fillna(False).to_numpy(dtype=bool),
        }
    )


def _nearest(gaugings: pd.DataFrame, verdicts: pd.DataFrame, way: Way) -> pd.DataFrame:
    """Find the last check before (backward), or the first after (forward), the start of each gauging."""
    columns = ["check", "verdict", "checked_at"]
    left = gaugings[["instrument", "started_at"]].reset_index(drop=True).assign(_row=range(len(gaugings)))
    asked = left.dropna(subset=["instrument", "started_at"]).sort_values("started_at", kind="stable")
    order = VERDICTS if way == "backward" else VERDICTS[::-1]
    gravity = verdicts["verdict"].map(order.index).astype("float64")
    known = verdicts[["instrument", *columns]].assign(_gravity=gravity)
    known = known.sort_values(["checked_at", "_gravity", "check"], kind="stable").drop(columns="_gravity")
    if asked.empty or known.empty:
        return verdicts[columns].iloc[:0].reindex(range(len(gaugings)))
    nearest = pd.merge_asof(
        asked,
        known,
        left_on="started_at",
        right_on="checked_at",
        by="instrument",
        direction=way,
        allow_exact_matches=way == "backward",
    )
    return nearest.set_index("_row")[columns].reindex(range(len(gaugings)))
