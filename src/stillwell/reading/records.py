"""A record as asked for: values, days, months, water years, duration; and where to measure next."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

import numpy as np
import pandas as pd
import pyarrow as pa

from stillwell.archive.archive import Archive
from stillwell.archive.tables.current_rows import described_last
from stillwell.errors import QueryError, RatingError
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.rating.fit import RatingFit
from stillwell.hydrometry.rating.next_gauging import Outlook, of_site
from stillwell.hydrometry.record import totals
from stillwell.hydrometry.stage.corrections import propose_corrections
from stillwell.hydrometry.stage.visits import visits_of
from stillwell.number_words import counted
from stillwell.reading.rating.shifts import rating_with_curve
from stillwell.reading.rating.site_fit import Candidates, candidates, fitted, numbers_of
from stillwell.reading.rating.site_ratings import newest_rating
from stillwell.reading.select.described import describe
from stillwell.reading.select.spans import EVER, Span, fits, span_of

STEPS = ("values", "daily", "monthly", "water-years", "duration", "seven-day", "maximum", "visits", "corrections")

OLDER = {"yearly": "water-years"}
"""Names a step had before; still read."""

_BY_DAYS = "one day without a mean leaves it without mean and volume; days_known counts the others"
_WITHOUT_MEAN = {
    "daily": (
        "day",
        "too little of the day is known (share_known; 0.9 unless the policy says otherwise), "
        "or a value lies beyond the limit of extrapolation of its rating",
    ),
    "monthly": ("month", _BY_DAYS),
    "water-years": ("water year", _BY_DAYS),
}
"""Steps of means: what a row is, and why it may have no mean."""

TRAIL = ("software_version", "policy_digest")
"""Columns left to the tables."""


def record(
    archive: Archive,
    site: str,
    step: str = "daily",
    span: Span = EVER,
) -> pa.Table:
    """Give a site's record at a step.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood at a moment.
    site : str
    step : str
        One of ``STEPS``: every value; days; months; water years; duration of daily means; least means of seven
        days; greatest values of water years; readings of the staff against the sensors; corrections proposed from them.
    span : Span
        Of values; of days; of readings of the staff.

    Returns
    -------
    pyarrow.Table

    Raises
    ------
    QueryError
        If there is no such step, or the site has no record.
    """
    step = OLDER.get(step, step)
    if step not in STEPS:
        msg = f"expected one of {', '.join(STEPS)}; found {step!r}"
        raise QueryError(msg)
    if step in ("visits", "corrections"):
        return _visits(archive, site, step, span)
    table, when = ("discharge", "time") if step == "values" else ("daily", "starts_at")
    rows = archive.standing(table, [site]).sort_values(when, kind="stable")
    if rows.empty:
        msg = f"expected a site with a derived record, found none at {site!r}"
        raise QueryError(msg)
    rows = rows[fits(rows, span.conditions_on(describe(archive, table)))].reset_index(drop=True)
    if step in ("values", "daily"):
        return pa.Table.from_pandas(rows.drop(columns=list(TRAIL)), preserve_index=False)
    days = rows.assign(day=pd.to_datetime(rows["day"]), uncertainty_m3_s=rows["uncertainty_m3_s"] / 2)
    return pa.Table.from_pandas(_summaries(start_month(archive, site))[step](days), preserve_index=False)


def without_mean(answer: pa.Table, step: str) -> str:
    """Say how many rows of a record have no mean, and by which rule; empty where all have one.

    Parameters
    ----------
    answer : pyarrow.Table
        As from ``record``.
    step : str

    Returns
    -------
    str
    """
    step = OLDER.get(step, step)
    if step not in _WITHOUT_MEAN:
        return ""
    thing, rule = _WITHOUT_MEAN[step]
    lacking = int(np.isnan(numbers_of(answer.select(["mean_m3_s"]).to_pandas(), "mean_m3_s")).sum())
    return f"{lacking} of {counted(answer.num_rows, thing)} without a mean: {rule}" if lacking else ""


def _visits(archive: Archive, site: str, step: str, span: Span) -> pa.Table:
    """Hold the staff against the sensors of a site, or propose corrections; a proposal is adopted by nobody yet."""
    stage, readings, corrections = (
        archive.standing(table, [site]) for table in ("stage", "gauge_heights", "corrections")
    )
    if stage.empty:
        msg = f"expected a site with recorded stage, found none at {site!r}"
        raise QueryError(msg)
    visits = visits_of(stage, readings, corrections)
    visits = visits[span.holds(visits["read_at"])]
    if step == "visits":
        return pa.Table.from_pandas(visits.assign(sensor=visits["sensor"].replace("", None)), preserve_index=False)
    parts = [_proposed(site, str(sensor), mine, stage) for sensor, mine in visits.groupby("sensor", sort=True)]
    empty = pd.DataFrame(columns=["site", "sensor", "from", "to", "start_m", "end_m", "reason"], dtype="str")
    return pa.Table.from_pandas(pd.concat(parts, ignore_index=True) if parts else empty, preserve_index=False)


def _proposed(site: str, sensor: str, visits: pd.DataFrame, stage: pd.DataFrame) -> pd.DataFrame:
    """Propose corrections of one sensor with the columns of a deposit of ``corrections``, but for who adopts them."""
    times = stage.loc[stage["sensor"].fillna("") == sensor, "time"]
    after = int(microseconds(times).max()) + 1
    proposals = propose_corrections(visits.assign(read_us=microseconds(visits["read_at"])), after)
    moments = {
        name: pd.to_datetime(proposals[f"{name}_us"].astype("int64"), unit="us", utc=True) for name in ("from", "to")
    }
    named = {"site": site, "sensor": sensor or None} | moments
    return pd.DataFrame(named | {name: proposals[name] for name in ("start_m", "end_m", "reason")})


def _summaries(month: int) -> Mapping[str, Callable[[pd.DataFrame], pd.DataFrame]]:
    return {
        "monthly": lambda days: _doubled(totals.monthly_totals(days)),
        "water-years": lambda days: _doubled(totals.yearly_totals(days, month)),
        "duration": lambda days: totals.flow_duration(days["mean_m3_s"].to_numpy(dtype="float64")),
        "seven-day": totals.seven_day_minimum,
        "maximum": lambda days: totals.annual_maximum(days, month),
    }


def _doubled(rows: pd.DataFrame) -> pd.DataFrame:
    """Give uncertainties at 95 % (k = 2), as everywhere in the archive."""
    return rows.assign(**{name: 2 * rows[name] for name in rows.columns if name.startswith("uncertainty")})


def start_month(archive: Archive, site: str) -> int:
    """Return the month in which the water year of a site starts; October where nothing is said."""
    rows = described_last(archive.standing("sites", [site]))
    month = rows["water_year_start_month"].iloc[-1] if len(rows) else pd.NA
    return 10 if pd.isna(month) else int(month)


def outlooks(archive: Archive, now: datetime) -> tuple[dict[str, Outlook], dict[str, str]]:
    """Say for each site with gaugings and a record what one more gauging would bring.

    Parameters
    ----------
    archive : Archive
    now : datetime

    Returns
    -------
    dict of str to Outlook
        By site.
    dict of str to str
        Sites of which nothing can be said, and why.
    """
    by_site: dict[str, Outlook] = {}
    silent: dict[str, str] = {}
    moment = np.datetime64(pd.Timestamp(now).tz_convert("UTC").tz_localize(None))
    for site in sorted(set(archive.standing("sites")["site"])):
        rows = archive.standing("discharge", [site])
        if rows.empty:
            silent[site] = "no record is derived"
            continue
        try:
            gaugings, made = _fit_in_force(archive, site)
            at = gaugings.rows["started_at"].dt.tz_localize(None).to_numpy()
            stage, flow = numbers_of(rows, "stage_m"), numbers_of(rows, "discharge_m3_s")
            by_site[site] = of_site(made, at, stage, flow, moment, in_force=rating_with_curve(archive, site)[1])
        except (RatingError, QueryError) as error:
            silent[site] = str(error)
    return by_site, silent


def _fit_in_force(archive: Archive, site: str) -> tuple[Candidates, RatingFit]:
    """Fit the gaugings made since the rating in force holds; all of them where those are too few."""
    rating = newest_rating(archive, site)
    if rating is not None:
        try:
            gaugings = candidates(archive, site, span_of(rating["valid_from"], None))
            return gaugings, fitted(gaugings)
        except RatingError:
            pass
    gaugings = candidates(archive, site)
    return gaugings, fitted(gaugings)
