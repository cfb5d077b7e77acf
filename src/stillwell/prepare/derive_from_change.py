"""The rows of a record from the earliest change on, which are those that deriving the whole record comes to.

What lies before the cut stands: it is neither read nor made anew. The whole record is derived where no cut is known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import pandas as pd

from stillwell.assessment.stage_findings import PASSED_OVER
from stillwell.hydrometry.record.daily import DAY_US
from stillwell.prepare.context import CommitContext, SpanView
from stillwell.prepare.earliest_change import NEVER, Change, change_of
from stillwell.prepare.records import (
    Series,
    daily_rows,
    derived,
    differing,
    discharge_rows,
    findings_differing,
    joined,
    record_of,
    standing_series,
    utc_offset_s,
)
from stillwell.prepare.stage_findings import findings_of_ratings, findings_of_stage
from stillwell.prepare.watermarks import LastMade

DAYS_BEFORE = (3, 60)
"""Days before the earliest change from which stage is read, one after the other, until they hold the cut."""

SLACK_US = 1_000_000
"""Microseconds by which every reach is taken longer, so that no rounding of seconds counts."""

_RowsSince = Callable[[pd.Timestamp], pd.DataFrame]


@dataclass(frozen=True)
class Window:
    """The end of a series, and from when on rows may differ.

    ``series``: values that are what they are in the whole series. ``cut_us``: a midnight of the site's standard time.

    With ``g`` the longest gap bridged (s) and ``k`` the sensors that have values here, a change at ``t`` moves

    - values from ``t - k g`` on: which values of other sensors are let in;
    - lines between neighbouring known values no further apart than ``g``, so days from that of the first value at or
      after ``t - k g - g`` on;
    - which days there are at all, from that of the last value before ``t - k g`` on.

    ``cut_us`` is the start of the earlier of these days. To come to the same there, values from ``cut - g`` on are
    needed, and to choose those among sensors rows from ``cut - g - k g`` on.
    """

    series: Series
    cut_us: int


def derived_from_change(
    view: SpanView, site: str, context: CommitContext, made: LastMade | None, now: Mapping[str, str]
) -> dict[str, pd.DataFrame]:
    """Derive the record of a site from the earliest change on, or whole where that is unknown.

    Parameters
    ----------
    view : SpanView
        The archive as it stands.
    site : str
    context : CommitContext
    made, now
        As of ``earliest_change.change_of``.

    Returns
    -------
    dict of str to DataFrame
        The rows that ``prepare.records.derived`` comes to.
    """
    change = change_of(view, site, made, now, context.policy)
    rows = None if change is None else derived_onward(view, site, context, change)
    return derived(view, [site], context) if rows is None else rows


def derived_onward(view: SpanView, site: str, context: CommitContext, change: Change) -> dict[str, pd.DataFrame] | None:
    """Derive what of a record may differ, and keep the rows that are new or differ; as ``prepare.records.derived``.

    Parameters
    ----------
    view : SpanView
        The archive as it stands.
    site : str
    context : CommitContext
    change : Change
        As of ``earliest_change.change_of``.

    Returns
    -------
    dict of str to DataFrame, or None
        None where the whole record must be derived: no value before the change is near enough.
    """
    recorded = view.read("stage", [site]) if change.of_stage else None
    tables = {}
    if change.since_us != NEVER:
        window = _window(view, site, context, change.since_us, _since(view, site, recorded))
        if window is None:
            return None
        made = record_of(view, site, context.policy, window.series)
        cut = pd.Timestamp(window.cut_us, unit="us", tz="UTC")
        for name, rows, moment in (
            ("discharge", discharge_rows(made), "time"),
            ("daily", daily_rows(made), "starts_at"),
        ):
            mine = rows[(rows[moment] >= cut).to_numpy()].reset_index(drop=True)
            tables[name] = differing(name, mine, view.since(name, site, cut), context)
    kept = view.read("series_doubts", [site])
    findings = findings_of_ratings(view, site, context.rules)
    if recorded is None:
        kept = kept[(kept["code"] == PASSED_OVER).to_numpy()].reset_index(drop=True)
    else:
        findings = [findings_of_stage(view, site, recorded, context.policy, context.rules), *findings]
    return joined([tables | {"series_doubts": findings_differing(site, findings, kept, context)}])


def _since(view: SpanView, site: str, recorded: pd.DataFrame | None) -> _RowsSince:
    """Read the stage of a site from a moment on, or take it from rows at hand."""
    if recorded is None:
        return lambda moment: view.since("stage", site, moment)
    return lambda moment: recorded[(recorded["time"] >= moment).to_numpy()].reset_index(drop=True)


def _window(view: SpanView, site: str, context: CommitContext, since_us: int, rows_since: _RowsSince) -> Window | None:
    """Find the end of a series that holds the cut; None where even the longest span does not."""
    gap_us = int(context.policy.value("gap_bridged_s") * 1e6) + SLACK_US
    offset_us = utc_offset_s(view, site) * 1_000_000
    earliest = pd.Timestamp.min.value // 1000
    for days in DAYS_BEFORE:
        first_us = since_us - days * DAY_US
        if first_us <= earliest:
            return None
        recorded = rows_since(pd.Timestamp(first_us, unit="us", tz="UTC"))
        reach_us = gap_us * recorded["sensor"].fillna("").nunique()
        time, stage, sensor = standing_series(recorded, context.policy)
        sure = time >= first_us + reach_us
        before = time[sure & (time < since_us - reach_us)]
        if not before.size:
            continue
        near = before[before >= min(int(before[-1]), since_us - reach_us - gap_us)]
        cut_us = (int(near[0]) + offset_us) // DAY_US * DAY_US - offset_us
        if cut_us - gap_us >= first_us + reach_us:
            return Window((time[sure], stage[sure], sensor[sure]), cut_us)
    return None
