"""From what stands of a site, stage, corrections, ratings and shifts, to the rows of its record. Writes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import AtCommit
from stillwell.archive.revisions.registers import VALUE_KEY
from stillwell.archive.tables.current_rows import contradicted, described_last, newest_of_keys, standing_rows
from stillwell.assessment.policy import Policy
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.rating.spans_in_force import Mark, RatingInForce, Spans
from stillwell.hydrometry.record.daily import GapRule, daily_values
from stillwell.hydrometry.record.discharge import Record, discharge_record
from stillwell.hydrometry.stage.corrections import Corrections
from stillwell.prepare.context import CommitContext, Standing
from stillwell.prepare.rating_tables import rated_in_order
from stillwell.prepare.register_rows import finished
from stillwell.prepare.stage_findings import findings_of_ratings, findings_of_stage, lapsed
from stillwell.sameness import same_cells
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import key_names
from stillwell.schemas.words import MARKS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TABLES = ("discharge", "daily", "series_doubts")
K = 2.0
"""Coverage factor of an expanded uncertainty, about 95 %."""

SAME = ("mean_m3_s", "minimum_m3_s", "maximum_m3_s", "share_known", "largest_gap_s")
"""Columns of ``daily`` named as they are computed."""


@dataclass(frozen=True)
class SiteRecord:
    """The record of a site as it follows from what stands now."""

    site: str
    record: Record
    sensor: NDArray[np.object_]
    """Sensor of each value."""
    names: tuple[str, ...]
    """Ratings, by their number in the record."""
    ratings: tuple[RatingInForce, ...]
    daily: pd.DataFrame


def recorded_sites(archive: Archive, ratings: Standing | None = None) -> list[str]:
    """Name the sites that have both stage and a rating, from the tables of ratings where they are at hand."""
    rated = (archive if ratings is None else ratings).standing("ratings")
    return sorted(set(rated["site"]) & set(archive.table_sites("stage")))


def lacking(archive: Archive, sites: Sequence[str]) -> dict[str, list[str]]:
    """Name, by site, the tables a record rests on, ``stage`` and ``ratings``, of which the site has no row."""
    held = {name: set(archive.table_sites(name)) for name in ("stage", "ratings")}
    return {site: [name for name in held if site not in held[name]] for site in sites}


def derived(view: AtCommit, sites: Sequence[str], context: CommitContext) -> dict[str, pd.DataFrame]:
    """Derive the records of sites and keep the rows that are new or differ from what stands.

    Parameters
    ----------
    view : AtCommit
        The archive as it stands, or stood.
    sites : sequence of str
    context : CommitContext

    Returns
    -------
    dict of str to DataFrame
        Rows of ``TABLES`` with their revision; a table without any is left out.
    """
    return joined([_derived(view, site, context) for site in sites])


def _derived(view: AtCommit, site: str, context: CommitContext) -> dict[str, pd.DataFrame]:
    recorded = view.read("stage", [site])
    made = record_of(view, site, context.policy, standing_series(recorded, context.policy))
    findings = [
        findings_of_stage(view, site, recorded, context.policy, context.rules),
        *findings_of_ratings(view, site, context.rules),
    ]
    rows = {"discharge": discharge_rows(made), "daily": daily_rows(made)}
    new = {name: differing(name, frame, view.read(name, [site]), context) for name, frame in rows.items()}
    return new | {"series_doubts": findings_differing(site, findings, view.read("series_doubts", [site]), context)}


def joined(parts: Sequence[Mapping[str, pd.DataFrame]]) -> dict[str, pd.DataFrame]:
    """Put the rows of some sites together; a table without any is left out."""
    whole = {name: [part[name] for part in parts if name in part] for name in TABLES}
    tables = {name: pd.concat(frames, ignore_index=True) for name, frames in whole.items() if frames}
    return {name: rows for name, rows in tables.items() if len(rows)}


def findings_differing(
    site: str, findings: Sequence[pd.DataFrame], kept: pd.DataFrame, context: CommitContext
) -> pd.DataFrame:
    """Select the findings that are new or differ from the stored ones, and those that have lapsed; as ``differing``."""
    frame = pd.concat(findings, ignore_index=True).assign(site=site)
    whole = pd.concat([frame, lapsed(frame, kept, context.rules)[frame.columns]], ignore_index=True)
    return differing("series_doubts", whole, kept, context)


Series = tuple[Ints, Floats, NDArray[np.object_]]
"""Moments (microseconds since 1970, UTC), stage (m) as recorded and sensor of each value, in order of time."""


def standing_series(recorded: pd.DataFrame, policy: Policy) -> Series:
    """Put what stands of recorded stage into one series.

    Parameters
    ----------
    recorded : DataFrame
        Rows of ``stage`` of one site, of every revision: all of them, or all from a moment on.
    policy : Policy
    """
    stands = standing_rows("stage", recorded)
    # a moment whose values contradict each other has none, also where one stood before
    torn = contradicted(recorded, VALUE_KEY).drop_duplicates(VALUE_KEY).assign(stage_m=np.nan)
    whole = pd.concat([stands, torn], ignore_index=True) if len(torn) else stands
    return series_of(whole, policy.value("gap_bridged_s"))


def record_of(view: AtCommit, site: str, policy: Policy, series: Series) -> SiteRecord:
    """Derive the values and days of a series: the whole one of a site, or one that begins later."""
    time, stage, sensor = series
    corrected = _corrected(view, site, time, stage, sensor)
    rated = rated_in_order(view, site, policy)
    ratings = [rating.force for rating in rated]
    spans = _conditions(view, site)
    record = discharge_record(time, corrected, ratings, policy.value("stage_uncertainty_m"), spans)
    far = _too_far(record, ratings, policy.value("extrapolation_factor"))
    record.discharge_m3_s[far] = np.nan
    record.uncertainty_m3_s[far] = np.nan
    rule = GapRule(policy.value("gap_bridged_s"), policy.value("day_share"))
    offset = utc_offset_s(view, site)
    daily = daily_values(time, record.discharge_m3_s, record.uncertainty_m3_s, record.marks, offset, rule)
    # a flood that may not be rated must not be bridged by a line from foot to foot either
    cut = np.searchsorted(daily["from_us"].to_numpy(), time[far], side="right") - 1
    daily.loc[np.unique(cut), ["mean_m3_s", "uncertainty_m3_s", "maximum_m3_s"]] = np.nan
    return SiteRecord(site, record, sensor, tuple(rating.name for rating in rated), tuple(ratings), daily)


def series_of(stage: pd.DataFrame, apart_s: float) -> tuple[Ints, Floats, NDArray[np.object_]]:
    """Put the sensors of a site into one series: the first by name, the next where the first has nothing near.

    Parameters
    ----------
    stage : DataFrame
        Rows of ``stage`` that stand, of one site; a blank sensor comes first.
    apart_s : float
        A later sensor's value counts where the first has none within this time.

    Returns
    -------
    time_us, stage, sensor : arrays
        In order of time.
    """
    name = stage["sensor"].fillna("").to_numpy(dtype=object)
    time = microseconds(stage["time"]) if len(stage) else np.zeros(0, dtype=np.int64)
    value = stage["stage_m"].to_numpy(dtype="float64")
    order = np.argsort(time, kind="stable")
    name, time, value = name[order], time[order], value[order]
    kept = np.zeros(time.size, dtype=bool)
    for sensor in sorted(set(name)):
        mine = np.flatnonzero(name == sensor)
        have = time[kept]
        if have.size:
            place = np.searchsorted(have, time[mine])
            after = np.abs(have[np.minimum(place, have.size - 1)] - time[mine])
            before = np.abs(time[mine] - have[np.maximum(place - 1, 0)])
            mine = mine[np.minimum(after, before) > apart_s * 1e6]
        kept[mine] = True
    return time[kept], value[kept], name[kept]


def _corrected(view: AtCommit, site: str, time: Ints, stage: Floats, sensor: NDArray[np.object_]) -> Floats:
    rows = view.standing("corrections", [site])
    out = stage.copy()
    # several of one moment are added up in the order of their keys, whatever files they lie in
    rows = rows.sort_values(["from", "to"], kind="stable")
    for name, mine in rows.groupby(rows["sensor"].fillna(""), sort=True):
        spans = Corrections(
            microseconds(mine["from"]),
            microseconds(mine["to"]),
            mine["start_m"].to_numpy(dtype="float64"),
            mine["end_m"].to_numpy(dtype="float64"),
        )
        at = sensor == name
        out[at] += spans.at(time[at])
    return out


def _conditions(view: AtCommit, site: str) -> Spans:
    rows = view.standing("conditions", [site])
    bits = {"ice": Mark.ICE, "backwater": Mark.BACKWATER, "estimated": Mark.ESTIMATED}
    return Spans(
        microseconds(rows["from"]),
        microseconds(rows["to"]),
        np.array([bits[str(word)] for word in rows["condition"]], dtype=np.uint8),
    )


def _too_far(record: Record, ratings: Sequence[RatingInForce], factor: float) -> NDArray[np.bool_]:
    """Say which values lie beyond the policy's factor of the highest discharge gauged for their rating."""
    tops = [float(r.curve.discharge(np.array([r.highest_m]))[0]) for r in ratings]
    most = np.array([*(factor * top if np.isfinite(top) else np.inf for top in tops), np.inf])
    return np.asarray(record.discharge_m3_s > most[record.rating])


def utc_offset_s(view: AtCommit, site: str) -> int:
    """Return the offset of a site's standard time from UTC, s."""
    text = str(described_last(view.standing("sites", [site]))["utc_offset"].iloc[-1])
    sign = -1 if text.startswith("-") else 1
    hours, minutes = text.lstrip("+-").split(":")
    return sign * (int(hours) * 3600 + int(minutes) * 60)


def words_of_marks(bits: NDArray[np.uint8]) -> NDArray[np.object_]:
    """Write bits of marks as words joined by semicolons, as in the archive; missing where there is none."""
    known = np.unique(bits)
    texts = np.full(256, None, dtype=object)
    for value in known.tolist():
        texts[value] = "; ".join(word for i, word in enumerate(MARKS) if value >> i & 1) or None
    return texts[bits]


def discharge_rows(made: SiteRecord) -> pd.DataFrame:
    """Lay the record out as rows of ``discharge``."""
    record = made.record
    names = np.array([*made.names, None], dtype=object)
    return pd.DataFrame(
        {
            "site": made.site,
            "time": pd.to_datetime(record.time_us, unit="us", utc=True),
            "sensor": pd.Series(made.sensor).replace("", None),
            "stage_m": record.stage_m,
            "shift_m": record.shift_m,
            "rating": names[record.rating],
            "discharge_m3_s": record.discharge_m3_s,
            "uncertainty_m3_s": K * record.uncertainty_m3_s,
            "marks": words_of_marks(record.marks),
        }
    )


def daily_rows(made: SiteRecord) -> pd.DataFrame:
    """Lay the daily values out as rows of ``daily``."""
    daily = made.daily
    return pd.DataFrame(
        {
            "site": made.site,
            "day": pd.to_datetime(daily["day"]).dt.strftime("%Y-%m-%d"),
            "starts_at": pd.to_datetime(daily["from_us"], unit="us", utc=True),
            "ends_at": pd.to_datetime(daily["to_us"], unit="us", utc=True),
            **{name: daily[name] for name in SAME},
            "uncertainty_m3_s": K * daily["uncertainty_m3_s"],
            "values": daily["values"],
            "marks": words_of_marks(daily["marks"].to_numpy(dtype=np.uint8)),
        }
    )


def differing(name: str, rows: pd.DataFrame, kept: pd.DataFrame, context: CommitContext) -> pd.DataFrame:
    """Keep the rows whose key is new, or whose values differ from the newest of that key, with their revision.

    Parameters
    ----------
    name : str
        Of a table.
    rows : DataFrame
        Its values, without their trail.
    kept : DataFrame
        Its rows of every revision, at least those of the keys in ``rows``.
    context : CommitContext
    """
    trail = {"software_version": context.software_version, "policy_digest": context.policy_digest}
    new = finished(name, rows.assign(revision=1, **trail), context)
    if kept.empty or new.empty:
        return new
    key = key_names(ARCHIVE_TABLES[name])
    newest = newest_of_keys(kept, key)
    left, right = (pd.MultiIndex.from_frame(rows[key]) for rows in (new, newest))
    at = right.get_indexer(left)
    known = np.flatnonzero(at >= 0)
    differs = np.ones(len(new), dtype=bool)
    same = np.ones(known.size, dtype=bool)
    value_columns = [
        c for c in new.columns if c not in ("revision", "recorded_at", "software_version", "policy_digest")
    ]
    for column in value_columns:
        same &= same_cells(new[column].iloc[known], newest[column].iloc[at[known]])
    differs[known] = ~same
    revision = np.ones(len(new), dtype="int64")
    revision[known] = newest["revision"].to_numpy(dtype="int64")[at[known]] + 1
    return new.assign(revision=pd.array(revision, dtype="Int64"))[differs].reset_index(drop=True)
