"""Is a meter well? Its checks against limits and against its own history, and what they mean for gaugings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from schemas.words import VERDICTS

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
)
"""Limits of the policy a check is held against; their values and sources stand there."""

LEVELS = {"snr_db": "signal-to-noise", "noise_db": "noise level", "echo_db": "echo level"}
"""Quantities held against the meter's own history, in words."""

LEAST_SIGMA_DB = 0.5
"""Deviation below which a history is never taken to be narrower."""

ROBUST = 1.4826
"""Ratio of standard deviation to median absolute deviation of a normal distribution (an identity)."""


@dataclass(frozen=True)
class Health:
    """What checks say: a verdict with reasons per check, and the figures it rests on per receiver."""

    verdicts: pd.DataFrame
    """``check``, ``instrument``, ``checked_at``, ``verdict``, ``reasons``."""
    receivers: pd.DataFrame
    """Per check and receiver: ``snr_db``, ``noise_db``, ``echo_db``, ``spread_db``, ``drift_db``."""


def assess_health(checks: pd.DataFrame, limits: Mapping[str, float], history: pd.DataFrame) -> Health:
    """Judge diagnostic checks of meters.

    Per receiver: mean m of a level, spread ``1.4826 median|x - median x|``, drift = median of the later half minus
    median of the earlier half of the samples. A check is unfit when a receiver is unusable or the thermometer is
    wrong; to be watched for any other reason; else healthy. A missing quantity is not doubted.

    Parameters
    ----------
    checks : DataFrame
        Rows of ``check_samples`` of the checks to judge.
    limits : mapping of str to float
        With the names of ``LIMITS``.
    history : DataFrame
        Rows of ``check_samples`` of all checks known; those earlier than a check, with the same meter, are its history.

    Returns
    -------
    Health

    Notes
    -----
    Limits and their sources: the office's policy.
    """
    receivers = _receivers(checks)
    whole = _whole(checks, receivers)
    reasons = [
        *_against_limits(whole, receivers, limits),
        *_against_history(receivers, _receivers(history), limits),
    ]
    said = pd.DataFrame(reasons, columns=["check", "grave", "reason"])
    unfit = set(said.loc[said["grave"].astype("bool"), "check"])
    watch = set(said["check"])
    texts = {str(check): "; ".join(dict.fromkeys(lines)) for check, lines in said.groupby("check")["reason"]}
    verdict = np.where(whole["check"].isin(unfit), VERDICTS[2], np.where(whole["check"].isin(watch), *VERDICTS[1::-1]))
    verdicts = whole[["check", "instrument", "checked_at"]].assign(
        verdict=pd.Series(verdict, dtype="str", index=whole.index),
        reasons=pd.Series([texts.get(str(check), "") for check in whole["check"]], dtype="str", index=whole.index),
    )
    return Health(verdicts, receivers)


def _receivers(samples: pd.DataFrame) -> pd.DataFrame:
    """Summarise the samples of each receiver of each check."""
    rows = samples.sort_values(["check", "receiver", "sample"], kind="stable")
    groups = rows.groupby(["check", "receiver"], sort=True)
    middle = groups["snr_db"].transform("median")
    rows = rows.assign(_off=(rows["snr_db"] - middle).abs())
    place = groups.cumcount() / groups["sample"].transform("size")
    early = rows[place < 0.5].groupby(["check", "receiver"])["snr_db"].median()
    late = rows[place >= 0.5].groupby(["check", "receiver"])["snr_db"].median()
    means = groups[list(LEVELS)].mean()
    first = groups[["instrument", "checked_at"]].first()
    spread = ROBUST * rows.groupby(["check", "receiver"])["_off"].median()
    return first.join(means).assign(spread_db=spread, drift_db=late - early).reset_index()


def _whole(samples: pd.DataFrame, receivers: pd.DataFrame) -> pd.DataFrame:
    """Summarise each check as a whole."""
    groups = samples.groupby("check", sort=True)
    count = groups["sample"].nunique().astype("float64")
    span = groups["sample_s"].max() - groups["sample_s"].min()
    snr = receivers.groupby("check")["snr_db"]
    difference = (
        (samples["water_temperature_c"] - samples["reference_temperature_c"]).groupby(samples["check"]).median()
    )
    return (
        groups[["instrument", "checked_at"]]
        .first()
        .assign(
            samples=count,
            rate_hz=(count - 1) / span.where(span > 0),
            apart_db=snr.max() - snr.min(),
            temperature_c=difference,
            usable=samples[["snr_db", "noise_db", "echo_db"]].notna().any(axis=1).groupby(samples["check"]).any(),
        )
        .reset_index()
    )


def _against_limits(
    whole: pd.DataFrame, receivers: pd.DataFrame, limits: Mapping[str, float]
) -> list[tuple[str, bool, str]]:
    """Say which limits each check misses: check, whether that makes it unfit, and why."""
    low, bad = limits["check_snr_low_db"], limits["check_snr_unusable_db"]
    snr = receivers["snr_db"]
    fewest, rate = limits["check_samples"], limits["check_rate_hz"]
    out: list[tuple[str, bool, str]] = []

    def tell(rows: pd.DataFrame, mask: pd.Series, grave: bool, sentence: str, *shown: str) -> None:
        for values in rows.loc[mask.fillna(False).to_numpy(dtype=bool), ["check", *shown]].itertuples(index=False):
            out.append((values[0], grave, sentence.format(*values[1:])))

    tell(
        receivers,
        snr < bad,
        True,
        f"receiver {{}}: signal-to-noise of {{:.1f}} dB, below {bad:g}",
        "receiver",
        "snr_db",
    )
    weak = (snr < low) & (snr >= bad)
    tell(receivers, weak, False, f"receiver {{}}: signal-to-noise of {{:.1f}} dB, {low:g} wanted", "receiver", "snr_db")
    for column, name in (("spread_db", "spread"), ("drift_db", "drift")):
        limit = limits[f"check_{column}"]
        wrong = receivers[column].abs() > limit
        tell(receivers, wrong, False, f"receiver {{}}: {name} of {{:.1f}} dB, {limit:g} allowed", "receiver", column)
    apart, degrees = limits["check_receivers_apart_db"], limits["check_temperature_c"]
    tell(whole, whole["apart_db"] > apart, False, f"receivers {{:.1f}} dB apart, {apart:g} allowed", "apart_db")
    warm = whole["temperature_c"].abs() > degrees
    tell(whole, warm, True, f"thermometer off by {{:+.1f}} degrees, {degrees:g} allowed", "temperature_c")
    tell(whole, whole["samples"] < fewest, False, f"{{:.0f}} samples, {fewest:g} wanted", "samples")
    tell(whole, whole["rate_hz"] < rate, False, f"{{:.2f}} samples a second, {rate:g} wanted", "rate_hz")
    tell(whole, ~whole["usable"].astype("bool"), False, "no level was recorded")
    return out


def _against_history(
    receivers: pd.DataFrame, known: pd.DataFrame, limits: Mapping[str, float]
) -> list[tuple[str, bool, str]]:
    """Say where a receiver is unlike what it was in the earlier checks of its meter."""
    pairs = receivers.merge(known, on=["instrument", "receiver"], suffixes=("", "_then"))
    pairs = pairs[pairs["checked_at_then"] < pairs["checked_at"]]
    out: list[tuple[str, bool, str]] = []
    for column, name in LEVELS.items():
        earlier = pairs.dropna(subset=[column, f"{column}_then"])
        groups = earlier.groupby(["check", "receiver"])[f"{column}_then"]
        middle = groups.transform("median")
        off = (earlier[f"{column}_then"] - middle).abs()
        sigma = ROBUST * off.groupby([earlier["check"], earlier["receiver"]]).transform("median")
        width = np.maximum(sigma, LEAST_SIGMA_DB) * limits["check_history_sigmas"]
        enough = groups.transform("size") >= limits["check_history"]
        wrong = earlier.assign(_middle=middle)[enough & ((earlier[column] - middle).abs() > width)]
        for row in wrong.drop_duplicates(["check", "receiver"]).to_dict("records"):
            sentence = (
                f"receiver {row['receiver']}: {name} of {row[column]:.1f} dB, {row['_middle']:.1f} in its own history"
            )
            out.append((str(row["check"]), False, sentence))
    return out


def ties(gaugings: pd.DataFrame, verdicts: pd.DataFrame, days: float) -> pd.DataFrame:
    """Tie gaugings to the last check of their meter before the start and the first after it.

    Parameters
    ----------
    gaugings : DataFrame
        ``gauging_id``, ``instrument``, ``started_at``, ``ended_at``.
    verdicts : DataFrame
        ``check``, ``instrument``, ``checked_at``, ``verdict``.
    days : float
        Within which a check is wanted.

    Returns
    -------
    DataFrame
        One row per gauging: ``check_before``, ``verdict_before``, ``check_after``, ``verdict_after``,
        ``nearest_days``, ``no_check_within`` (only for meters that are checked at all) and
        ``suspect_since_healthy``: the check that decides before the gauging, or the first that decides after it, found
        the meter unfit; a check to be watched decides nothing.
    """
    before, after = (_nearest(gaugings, verdicts, way) for way in ("backward", "forward"))
    deciding = verdicts[verdicts["verdict"] != "watch"]
    unfit = [_nearest(gaugings, deciding, way)["verdict"] == "unfit" for way in ("backward", "forward")]
    apart = np.fmin(
        (gaugings["started_at"] - before["checked_at"]).dt.total_seconds().to_numpy(),
        (after["checked_at"] - gaugings["started_at"]).dt.total_seconds().to_numpy(),
    )
    nearest = np.asarray(apart, dtype="float64") / 86_400
    return pd.DataFrame(
        {
            "check_before": before["check"],
            "verdict_before": before["verdict"],
            "check_after": after["check"],
            "verdict_after": after["verdict"],
            "nearest_days": nearest,
            "no_check_within": nearest > days,
            "suspect_since_healthy": (unfit[0] | unfit[1]).fillna(False).to_numpy(dtype=bool),
        }
    )


def _nearest(gaugings: pd.DataFrame, verdicts: pd.DataFrame, way: str) -> pd.DataFrame:
    """Find the last check before (backward), or the first after (forward), the start of each gauging."""
    columns = ["check", "verdict", "checked_at"]
    left = gaugings[["instrument", "started_at"]].reset_index(drop=True).assign(_row=range(len(gaugings)))
    asked = left.dropna(subset=["instrument"]).sort_values("started_at", kind="stable")
    known = verdicts[["instrument", *columns]].sort_values("checked_at", kind="stable")
    if asked.empty or known.empty:
        return verdicts[columns].iloc[:0].reindex(range(len(gaugings)))
    found = pd.merge_asof(
        asked,
        known,
        left_on="started_at",
        right_on="checked_at",
        by="instrument",
        direction="backward" if way == "backward" else "forward",
        allow_exact_matches=way == "backward",
    )
    return found.set_index("_row")[columns].reindex(range(len(gaugings)))
