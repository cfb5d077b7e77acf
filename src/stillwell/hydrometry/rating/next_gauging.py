"""Where to measure next: what one more gauging at each stage would take off the uncertainty of the yearly volume.

The information of the gaugings is that of the linearised fit: its covariance V. A further gauging at stage h, of
residual variance ``S_e^2``, changes it to ``V - V g g' V/(S_e^2 + g' V g)`` with g the derivatives of ln Q at h. The
yearly volume answers to the numbers of the law with ``a = sum_j w_j g_j``, w_j the share of the volume that passes at
stage h_j (its time times its discharge): its relative variance is ``a' V a`` and falls by
``(a' V g)^2/(S_e^2 + g' V g)`` (derived).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.fit import RatingFit
from stillwell.hydrometry.rating.rating import Rating

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]

BINS = 60
"""Classes of stage the record is put in (chosen)."""

SUPPORT = 3
"""Gaugings a tenth of the stages wants before it counts as supported (chosen)."""

RUN = 3
"""Gaugings of one sign, one after another, that ask for another look (chosen: chance does so once in four)."""

LEAST = 0.005
"""Least gain (percent of the yearly volume) for which a stage is recommended (chosen: what two decimals print)."""


@dataclass(frozen=True)
class Outlook:
    """What a site asks for.

    ``stages``: one row for each class of the record's stage, the most useful first. ``uncertainty_pct``: standard
    uncertainty of the yearly volume from that of the mean relation, now. ``stage_m``: where one more gauging gains
    most, NaN where nothing is recommended; ``gain_pct``: what it takes off, 0 then. ``days_since``: since the last
    gauging, NaN without one. ``run``: last gaugings of one sign. ``run_chance``: how often chance alone makes so long a
    run, ``2^(1 - run)``.
    """

    stages: pd.DataFrame
    uncertainty_pct: float
    stage_m: float
    gain_pct: float
    days_since: float
    run: int
    run_chance: float
    sentences: tuple[str, ...]

    @property
    def best_pct(self) -> float:
        """Standard uncertainty of the yearly volume after one gauging at the recommended stage, percent."""
        return self.uncertainty_pct - self.gain_pct


def of_site(
    fit: RatingFit,
    gauged_at: Times,
    record_stage: Floats,
    record_discharge: Floats,
    now: np.datetime64,
    *,
    in_force: Rating | None = None,
    reachable_m: tuple[float, float] = (-np.inf, np.inf),
) -> Outlook:
    """Say what one more gauging at each stage of the record would bring.

    Parameters
    ----------
    fit : RatingFit
    gauged_at : datetime64 array, shape (gaugings,)
        Moments of the rows of ``fit.gaugings``.
    record_stage, record_discharge : float arrays, shape (moments,)
        The record (m, m3/s), evenly spaced in time, NaN where missing.
    now : datetime64
        The moment asked about.
    in_force : Rating, optional
        The rating in force; a stage at which it has no flow is never recommended. The fit's own without it.
    reachable_m : pair of floats
        Stages at which the party could measure; others are listed but never the best.

    Raises
    ------
    RatingError
        The record has no flow at a stage above the fit's zero flow.
    """
    stage, time, volume = _classes(fit, record_stage, record_discharge)
    g = fit.curve.responses(stage)
    whole = volume @ g
    own = np.einsum("jp,pq,jq->j", g, fit.covariance, g).clip(0.0)
    before = max(float(whole @ fit.covariance @ whole), 0.0)
    falls = (g @ fit.covariance @ whole) ** 2 / (fit.standard_error**2 + own)
    left = np.sqrt(np.maximum(before - falls, 0.0))
    rated = (in_force or fit.curve).discharge(stage)
    flowing = fit.gaugings["used"].to_numpy(bool) & (fit.gaugings["discharge_m3_s"].to_numpy() > 0)
    gauged = fit.gaugings["stage_m"].to_numpy()[flowing]
    frame = pd.DataFrame(
        {
            "stage_m": stage,
            "rated_m3_s": rated,
            "share_of_time_pct": 100 * time,
            "share_of_volume_pct": 100 * volume,
            "uncertainty_pct": 100 * np.sqrt(own),
            "gaugings_near": _near(gauged, stage),
            "gauged_range": np.select([stage < fit.lowest_m, stage > fit.highest_m], ["below", "above"], ""),
            "gain_pct": 100 * (np.sqrt(before) - left),
            "reachable": (stage >= reachable_m[0]) & (stage <= reachable_m[1]) & (rated > 0),
        }
    )
    frame = frame.sort_values(["reachable", "gain_pct", "stage_m"], ascending=[False, False, True], kind="stable")
    run = _run(fit, gauged_at)
    known = gauged_at[~np.isnat(gauged_at)]
    days = float((now - known.max()) / np.timedelta64(1, "D")) if known.size else np.nan
    best = frame.iloc[0]
    useful = bool(best["reachable"]) and best["gain_pct"] >= LEAST
    at, gain = (float(best["stage_m"]), float(best["gain_pct"])) if useful else (np.nan, 0.0)
    chance = float(2.0 ** (1 - run)) if run else 1.0
    out = Outlook(frame.reset_index(drop=True), 100 * float(np.sqrt(before)), at, gain, days, run, chance, ())
    return replace(out, sentences=_sentences(out, fit))


def _classes(fit: RatingFit, stage: Floats, discharge: Floats) -> tuple[Floats, Floats, Floats]:
    """Put the record in classes of equal step: middle stages, shares of time and of volume, none empty or dry."""
    flowing = np.isfinite(stage) & (discharge > 0) & (stage > fit.curve.zero_flow_m)
    if not flowing.any():
        msg = (
            f"flow at stages above zero flow ({fit.curve.zero_flow_m:.3f} m) expected in the record, found none;"
            f" nothing is ranked"
        )
        raise RatingError(msg)
    flow, wet = discharge[flowing], stage[flowing]
    count, edge = np.histogram(wet, bins=BINS)
    filled = count > 0
    total, passed = (np.histogram(wet, bins=edge, weights=weights)[0][filled] for weights in (wet, flow))
    return total / count[filled], count[filled] / np.isfinite(stage).sum(), passed / flow.sum()


def _near(gauged: Floats, stage: Floats) -> NDArray[np.int64]:
    """Count gaugings within a twentieth of the range of stages to each side."""
    reach = max(float(np.ptp(np.r_[gauged, stage])), 1e-9) / 20
    ordered = np.sort(gauged)
    return np.searchsorted(ordered, stage + reach, side="right") - np.searchsorted(ordered, stage - reach, side="left")


def _run(fit: RatingFit, gauged_at: Times) -> int:
    """Count the last gaugings in time whose departures have one sign; those left out of the fit count too."""
    departs = fit.gaugings["departure_pct"].to_numpy()
    known = np.flatnonzero(np.isfinite(departs) & (departs != 0) & ~np.isnat(gauged_at))
    sign = np.sign(departs[known[np.argsort(gauged_at[known], kind="stable")]])
    if not sign.size:
        return 0
    other = np.flatnonzero(sign != sign[-1])
    return int(sign.size - (other[-1] + 1 if other.size else 0))


def _recommended(out: Outlook) -> str:
    """Say where to measure and what it gains, or why nowhere."""
    if not np.isnan(out.stage_m):
        rated = out.stages["rated_m3_s"].iloc[0]
        return (
            f"one gauging at {out.stage_m:.2f} m ({rated:.3g} m3/s by the rating) would take {out.gain_pct:.2f} off"
            f" the {out.uncertainty_pct:.2f} % by which the yearly volume is uncertain (standard)"
        )
    if not out.stages["reachable"].any():
        return "no stage is recommended: the rating has no flow at any stage of the record that can be reached"
    most = out.stages["gain_pct"].iloc[0]
    return (
        f"no stage is recommended: no gauging would take {LEAST:g} or more off the {out.uncertainty_pct:.2f} % by which"
        f" the yearly volume is uncertain (standard); the most is {most:.1g}"
    )


def _sentences(out: Outlook, fit: RatingFit) -> tuple[str, ...]:
    sentences = [_recommended(out)]
    if fit.at_bound:
        sentences.append(f"{' and '.join(fit.at_bound)} counted as known there, since the fit pressed it on its bound")
    weak = out.stages[(out.stages["gaugings_near"] < SUPPORT) & (out.stages["gauged_range"] == "")]
    if len(weak):
        sentences.append(
            f"{weak['share_of_time_pct'].sum():.1f} % of the time stage is within the gauged range but near"
            f" fewer than {SUPPORT}"
            f" gaugings, between {weak['stage_m'].min():.2f} and {weak['stage_m'].max():.2f} m"
        )
    for side in ("below", "above"):
        part = out.stages[out.stages["gauged_range"] == side]
        if len(part):
            sentences.append(f"{part['share_of_time_pct'].sum():.1f} % of the time stage is {side} all gaugings")
    if out.run >= RUN:
        sentences.append(
            f"the last {out.run} gaugings lie on one side of the rating; chance does that once in"
            f" {1 / out.run_chance:.0f}"
        )
    sentences.append("no gauging yet" if np.isnan(out.days_since) else f"last gauged {out.days_since:.0f} days ago")
    return tuple(sentences)


def ranked(outlooks: dict[str, Outlook], usual_days: float = 42.0) -> pd.DataFrame:
    """Rank sites for the next field week, the one that gains most first.

    The score is what one gauging would take off the uncertainty of the yearly volume (%), plus what a change unseen may
    cost: for a run of r departures of one sign ``z(chance)`` times that uncertainty, times ``min(days/usual_days, 2)``
    for both.
    It only orders; every part stands in its own column.

    Parameters
    ----------
    outlooks : dict
        By site.
    usual_days : float
        Usual days between visits (chosen: six weeks).
    """
    rows = [
        {
            "site": site,
            "stage_m": o.stage_m,
            "gain_pct": o.gain_pct,
            "uncertainty_pct": o.uncertainty_pct,
            "days_since": o.days_since,
            "run": o.run,
            "score": _score(o, usual_days),
        }
        for site, o in outlooks.items()
    ]
    frame = pd.DataFrame(rows, columns=["site", "stage_m", "gain_pct", "uncertainty_pct", "days_since", "run", "score"])
    return frame.sort_values(["score", "site"], ascending=[False, True], kind="stable").reset_index(drop=True)


def _score(outlook: Outlook, usual_days: float) -> float:
    overdue = 2.0 if np.isnan(outlook.days_since) else min(max(outlook.days_since, 0.0) / usual_days, 2.0)
    sigmas = float(stats.norm.isf(outlook.run_chance / 2)) if outlook.run_chance < 1 else 0.0
    return (outlook.gain_pct + sigmas * outlook.uncertainty_pct) * overdue
