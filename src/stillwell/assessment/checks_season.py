"""Checks that look beyond one gauging: at other gaugings of the site, of the party, and at the meter."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.assessment.evidence import Evidence, in_order, numbers, of_gaugings
from stillwell.hydrometry.gauging.gauge_height import microseconds

Floats = NDArray[np.float64]


def _of_batch(
    e: Evidence, rows: pd.DataFrame, wrong: NDArray[Any], value: NDArray[Any], limit: NDArray[Any]
) -> pd.DataFrame:
    """Point at gaugings of the batch among the rows of ``seen``."""
    g = rows["g"].to_numpy()
    mine = g >= 0
    mask = np.zeros(len(e.gaugings), dtype=bool)
    values, limits = np.full((2, len(e.gaugings)), np.nan)
    mask[g[mine]], values[g[mine]], limits[g[mine]] = np.asarray(wrong, dtype=bool)[mine], value[mine], limit[mine]
    return of_gaugings(e, mask, values, limits)


def same_day_differ(e: Evidence) -> pd.DataFrame:
    """Find gaugings of one site and day, at nearly the same stage, that disagree beyond their uncertainties."""
    rows = e.seen
    q, u, h = (numbers(rows[name]) for name in ("discharge_m3_s", "uncertainty_table_m3_s", "gauge_height_m"))
    day = rows["started_at"].dt.floor("D")
    same = _next_same(rows["site"], day)
    gap = np.abs(np.diff(q, append=np.nan))
    # uncertainties of 95 % combine in quadrature
    allowed = np.hypot(u, np.r_[u[1:], np.nan])
    steady = ~(np.abs(np.diff(h, append=np.nan)) > e.policy.value("stage_change_m"))
    wrong = same & steady & (gap > allowed)
    both = wrong | np.r_[False, wrong[:-1]]
    other = np.where(wrong, np.r_[q[1:], np.nan], np.r_[np.nan, q[:-1]])
    return _of_batch(e, rows, np.asarray(both), q, np.asarray(other))


def _next_same(*columns: pd.Series) -> NDArray[np.bool_]:
    """Return for each row whether the next has the same values; a missing one is never the same."""
    out = np.ones(len(columns[0]), dtype=bool)
    for column in columns:
        out &= (column == column.shift(-1)).fillna(False).to_numpy(dtype=bool)
    return out


def stage_rises_area_falls(e: Evidence) -> pd.DataFrame:
    """Find gaugings at a higher stage than the one before at the site, with a clearly smaller area."""
    rows = e.seen
    height, area = numbers(rows["gauge_height_m"]), numbers(rows["area_m2"])
    after = np.r_[False, _next_same(rows["site"])[:-1]]
    rise = np.r_[np.nan, np.diff(height)]
    share = np.r_[np.nan, area[1:] / np.where(area[:-1] > 0, area[:-1], np.nan)] if area.size else area
    factor = 1 - e.policy.value("area_falls_pct") / 100
    wrong = after & (rise > e.policy.value("stage_change_m")) & (share < factor)
    return _of_batch(e, rows, wrong, area, np.r_[np.nan, area[:-1]] if area.size else area)


def times_overlap(e: Evidence) -> pd.DataFrame:
    """Find gaugings during which their meter or party was also at another gauging."""
    wrong = np.zeros(len(e.gaugings), dtype=bool)
    minutes = np.full(len(e.gaugings), np.nan)
    for column in ("instrument", "party"):
        rows = e.seen[e.seen[column].notna()]
        if rows.empty:
            continue
        rows = in_order(rows, column)
        start, end = microseconds(rows["started_at"]), microseconds(rows["ended_at"])
        overlap = np.where(_next_same(rows[column]), end - np.r_[start[1:], 0], 0) / 60e6 if len(rows) else start
        either = np.maximum(overlap, np.r_[0, overlap[:-1]]) if len(rows) else overlap
        g = rows["g"].to_numpy()
        mine = (g >= 0) & (either > 0)
        wrong[g[mine]] = True
        minutes[g[mine]] = np.fmax(minutes[g[mine]], either[mine])
    return of_gaugings(e, wrong, minutes)


def sheet_copied(e: Evidence) -> pd.DataFrame:
    """Find gaugings whose points are those of another gauging, row for row."""
    rows = e.seen
    digest = rows["points_digest"]
    twice = (digest.notna() & (digest != "") & digest.duplicated(keep=False)).to_numpy(dtype=bool)
    nothing = np.full(len(rows), np.nan)
    return _of_batch(e, rows, twice, nothing, nothing)


def party_few_verticals(e: Evidence) -> pd.DataFrame:
    """Find a party all of whose gaugings, three at least, have fewer verticals than their width asks for."""
    rows = e.seen
    rows = rows.assign(few=_few(e, rows))[rows["recomputable"].fillna(False).astype("bool") & rows["party"].notna()]
    by_party = rows.groupby("party")["few"].agg(["size", "mean"])
    always = by_party.index[(by_party["size"] >= 3) & (by_party["mean"] == 1.0)]
    wrong = rows["party"].isin(always).to_numpy()
    size = rows["party"].map(by_party["size"]).to_numpy(dtype="float64")
    return _of_batch(e, rows, wrong, size, np.full(len(rows), np.nan))


def _few(e: Evidence, rows: pd.DataFrame) -> NDArray[np.bool_]:
    widths, fewest = e.policy.values("verticals_widths_m"), np.array(e.policy.values("verticals_fewest"))
    width, count = numbers(rows["width_m"]), numbers(rows["verticals"])
    asked = fewest[np.searchsorted(widths, np.nan_to_num(width), side="right")]
    return np.asarray(count < asked, dtype=bool)


def check_missing(e: Evidence) -> pd.DataFrame:
    """Find gaugings without any check of their meter within the office's days of them."""
    return of_gaugings(e, e.ties["no_check_within"], e.ties["nearest_days"], e.policy.value("check_days"))


def meter_unfit(e: Evidence) -> pd.DataFrame:
    """Find gaugings between an unfit check of their meter and the last healthy one before it."""
    return of_gaugings(e, e.ties["suspect_since_healthy"])


def meter_watch(e: Evidence) -> pd.DataFrame:
    """Find gaugings whose last check before or first after asks for watching."""
    watch = (e.ties["verdict_before"] == "watch") | (e.ties["verdict_after"] == "watch")
    return of_gaugings(e, watch & ~e.ties["suspect_since_healthy"])
