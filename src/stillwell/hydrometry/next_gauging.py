"""Where to measure next: what one more gauging at each stage would take off the uncertainty of the record.

The information of the gaugings is that of the linearised fit: its covariance V. A further gauging at stage h, of
residual variance ``S_e^2``, changes it to ``V - V g g' V/(S_e^2 + g' V g)`` with g the derivatives of ln Q at h; the
record's mean variance ``sum_j w_j g_j' V g_j`` falls by ``sum_j w_j (g_j' V g)^2/(S_e^2 + g' V g)``, w_j the share of
its time (or volume) at stage h_j.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from stillwell.errors import RatingError
from stillwell.hydrometry.rating_band import responses
from stillwell.hydrometry.rating_fit import RatingFit

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]

BINS = 60
"""Classes of stage the record is put in (chosen)."""

SUPPORT = 3
"""Gaugings a tenth of the stages wants before it counts as supported (chosen)."""

RUN = 3
"""Gaugings of one sign, one after another, that ask for another look (chosen: chance does so once in four)."""


@dataclass(frozen=True)
class Outlook:
    """What a site asks for.

    ``stages``: one row for each class of the record's stage, the most useful first. ``uncertainty_pct``: root mean
    square standard uncertainty of the mean relation over the record, now; ``best_pct``: after one gauging at the best
    stage. ``days_since``: since the last gauging, NaN without one. ``run``: last gaugings of one sign. ``run_chance``:
    how often chance alone makes so long a run, ``2^(1 - run)``.
    """

    stages: pd.DataFrame
    uncertainty_pct: float
    best_pct: float
    days_since: float
    run: int
    run_chance: float
    sentences: tuple[str, ...]

    @property
    def removed_pct(self) -> float:
        """Root of the mean variance one gauging at the best stage would take off, in percent of discharge."""
        return float(np.sqrt(max(self.uncertainty_pct**2 - self.best_pct**2, 0.0)))


def of_site(
    fit: RatingFit,
    gauged_at: Times,
    record_stage: Floats,
    now: np.datetime64,
    *,
    by: Literal["time", "volume"] = "time",
    reachable_m: tuple[float, float] = (-np.inf, np.inf),
) -> Outlook:
    """Say what one more gauging at each stage of the record would bring.

    Parameters
    ----------
    fit : RatingFit
    gauged_at : datetime64 array, shape (gaugings,)
        Moments of the rows of ``fit.gaugings``.
    record_stage : float array, shape (moments,)
        Stages of the record (m), evenly spaced in time, NaN where missing.
    now : datetime64
        The moment asked about.
    by : str
        Whether stages count by their time or by the volume that passes at them.
    reachable_m : pair of floats
        Stages at which the party could measure; others are listed but never the best.

    Raises
    ------
    RatingError
        The record has no stage above zero flow.
    """
    stage, weight, seconds = _classes(fit, record_stage, by)
    g = responses(fit.curve, fit.covariance, stage)
    common = g @ fit.covariance @ g.T
    own = np.diag(common).clip(0.0)
    before = float((weight * own).sum())
    falls = (weight[:, None] * common**2).sum(axis=0) / (fit.standard_error**2 + own)
    flowing = fit.gaugings["used"].to_numpy(bool) & (fit.gaugings["discharge_m3_s"].to_numpy() > 0)
    gauged = fit.gaugings["stage_m"].to_numpy()[flowing]
    frame = pd.DataFrame(
        {
            "stage_m": stage,
            "share_of_time_pct": 100 * seconds,
            "uncertainty_pct": 100 * np.sqrt(own),
            "gaugings_near": _near(gauged, stage),
            "gauged_range": np.select([stage < fit.lowest_m, stage > fit.highest_m], ["below", "above"], ""),
            "removed_pct": 100 * np.sqrt(falls),
            "left_pct": 100 * np.sqrt(np.maximum(before - falls, 0.0)),
            "reachable": (stage >= reachable_m[0]) & (stage <= reachable_m[1]),
        }
    )
    frame = frame.sort_values(["reachable", "removed_pct", "stage_m"], ascending=[False, False, True], kind="stable")
    run = _run(fit, gauged_at)
    known = gauged_at[~np.isnat(gauged_at)]
    days = float((now - known.max()) / np.timedelta64(1, "D")) if known.size else np.nan
    best = float(frame["left_pct"].iloc[0]) if frame["reachable"].any() else 100 * float(np.sqrt(before))
    chance = float(2.0 ** (1 - run)) if run else 1.0
    out = Outlook(frame.reset_index(drop=True), 100 * float(np.sqrt(before)), best, days, run, chance, ())
    return replace(out, sentences=_sentences(out))


def _classes(fit: RatingFit, record: Floats, by: str) -> tuple[Floats, Floats, Floats]:
    """Put the record in classes of equal step: middle stages, weights and shares of time, none of them empty or dry."""
    flowing = record[np.isfinite(record) & (record > fit.curve.zero_m[0])]
    if not flowing.size:
        msg = (
            f"stages above zero flow ({fit.curve.zero_m[0]:.3f} m) expected in the record, found none; nothing"
            f" is ranked"
        )
        raise RatingError(msg)
    count, edge = np.histogram(flowing, bins=BINS)
    kept = count > 0
    total = np.histogram(flowing, bins=edge, weights=flowing)[0]
    stage = np.divide(total, count, out=np.zeros(count.size), where=kept)[kept]
    seconds = count[kept] / np.isfinite(record).sum()
    weight = count[kept] * (fit.curve.discharge(stage) ** 2 if by == "volume" else 1.0)
    return stage, np.asarray(weight / weight.sum()), seconds


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


def _sentences(out: Outlook) -> tuple[str, ...]:
    said = []
    best = out.stages.iloc[0]
    if best["reachable"]:
        said.append(
            f"one gauging at {best['stage_m']:.2f} m would bring the record's mean relation from"
            f" {out.uncertainty_pct:.1f} to"
            f" {out.best_pct:.1f} % (standard uncertainty)"
        )
    weak = out.stages[(out.stages["gaugings_near"] < SUPPORT) & (out.stages["gauged_range"] == "")]
    if len(weak):
        said.append(
            f"{weak['share_of_time_pct'].sum():.1f} % of the time stage is within the gauged range but near"
            f" fewer than {SUPPORT}"
            f" gaugings, between {weak['stage_m'].min():.2f} and {weak['stage_m'].max():.2f} m"
        )
    for side in ("below", "above"):
        part = out.stages[out.stages["gauged_range"] == side]
        if len(part):
            said.append(f"{part['share_of_time_pct'].sum():.1f} % of the time stage is {side} all gaugings")
    if out.run >= RUN:
        said.append(
            f"the last {out.run} gaugings lie on one side of the rating; chance does that once in"
            f" {1 / out.run_chance:.0f}"
        )
    said.append("no gauging yet" if np.isnan(out.days_since) else f"last gauged {out.days_since:.0f} days ago")
    return tuple(said)


def ranked(outlooks: dict[str, Outlook], usual_days: float = 42.0) -> pd.DataFrame:
    """Rank sites for the next field week, the one that gains most first.

    The score is the root mean variance one gauging would take off (%), plus what a change unseen may cost: for a run
    of r departures of one sign ``z(chance)`` times the site's uncertainty, times ``min(days/usual_days, 2)`` for both.
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
            "stage_m": float(o.stages["stage_m"].iloc[0]) if o.stages["reachable"].any() else np.nan,
            "removed_pct": o.removed_pct,
            "uncertainty_pct": o.uncertainty_pct,
            "days_since": o.days_since,
            "run": o.run,
            "score": _score(o, usual_days),
        }
        for site, o in outlooks.items()
    ]
    frame = pd.DataFrame(
        rows, columns=["site", "stage_m", "removed_pct", "uncertainty_pct", "days_since", "run", "score"]
    )
    return frame.sort_values(["score", "site"], ascending=[False, True], kind="stable").reset_index(drop=True)


def _score(outlook: Outlook, usual_days: float) -> float:
    overdue = 2.0 if np.isnan(outlook.days_since) else min(max(outlook.days_since, 0.0) / usual_days, 2.0)
    doubt = float(stats.norm.isf(outlook.run_chance / 2)) if outlook.run_chance < 1 else 0.0
    return (outlook.removed_pct + doubt * outlook.uncertainty_pct) * overdue
