"""The report of a site: its gaugings, what needs attention, and rating and record where the archive holds them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.archive.archive import Archive
from stillwell.assessment.policy import Policy
from stillwell.drawing.duration import duration_svg
from stillwell.drawing.hydrograph import hydrograph_svg, whole_window
from stillwell.drawing.window import Series
from stillwell.errors import QueryError
from stillwell.hydrometry.record.totals import flow_duration, water_year
from stillwell.reading.policy import policy_shown
from stillwell.reading.rating.findings import findings_of_rating
from stillwell.reporting.attention import attention
from stillwell.reporting.page import drawn, page, rows_of, some
from stillwell.reporting.rating_plot import drawings, marked_gaugings
from stillwell.reporting.ratings import Shown, optional, record_of, shown_ratings

MOST = 300


def site_report(archive: Archive, site: str, as_of: Any = None) -> str:
    """Write the report of a site.

    Parameters
    ----------
    archive : Archive
    site : str
        Code of the site.
    as_of : datetime, optional

    Returns
    -------
    str
        A self-contained HTML page. What the archive holds no table of is left out.

    Raises
    ------
    QueryError
        If neither register nor gaugings know such a site.
    """
    register = archive.at(as_of).standing("sites")
    mine = register[register["site"] == site].sort_values("valid_from", na_position="first", kind="stable")
    gaugings = archive.at(as_of).standing("gaugings", sites=[site]).sort_values("started_at", kind="stable")
    if mine.empty and gaugings.empty:
        names = ", ".join(sorted(register["site"].unique())[:20]) or "none"
        msg = f"expected a site this archive knows, found {site!r}; its register names {names}"
        raise QueryError(msg)
    findings = archive.at(as_of).standing("findings", sites=[site])
    marked = marked_gaugings(gaugings, findings, archive.at(as_of).standing("reviews"))
    ratings = shown_ratings(archive, site, marked["stage_m"].to_numpy(), as_of)
    policy = policy_shown(archive.at(as_of)).policy
    datums = archive.at(as_of).standing("datums", sites=[site]).sort_values("valid_from", kind="stable")
    listed, more = some(gaugings.iloc[::-1], MOST)
    register_row = mine.iloc[-1].to_dict() if len(mine) else {"site": site}
    newest = {str(name): None if pd.isna(value) else value for name, value in register_row.items()}
    return page(
        "site.html",
        archive,
        site=site,
        as_of=as_of,
        facts=newest,
        descriptions=rows_of(mine),
        datums=rows_of(datums),
        count=len(gaugings),
        gaugings=rows_of(listed),
        more=more,
        attention=attention(archive, gaugings, findings, None, as_of, site),
        place=drawings(marked, ratings, "place") if len(gaugings) else [],
        ratings=[_rating_row(r, gaugings, policy) for r in reversed(ratings)],
        **_record(archive, site, marked, as_of),
        **_daily(archive, site, newest, as_of),
    )


def _rating_row(shown: Shown, gaugings: pd.DataFrame, policy: Policy) -> dict[str, Any]:
    rated = shown.rated
    findings = findings_of_rating(rated.force.curve, rated.row.get("gaugings"), gaugings, policy)
    columns = ["from_m", "coefficient", "zero_stage_m", "exponent"]
    segments = rated.segments[columns].to_numpy(dtype=np.float64).tolist()
    return {"name": rated.name, "from": rated.since, "by": rated.row["by"], "reason": rated.row["reason"],
            "gauged": shown.gauged, "office_pct": shown.office_pct, "segments": segments,
            "findings": findings}  # fmt: skip


def _record(archive: Archive, site: str, marked: pd.DataFrame, as_of: Any) -> dict[str, Markup | None]:
    """Draw the record with the gaugings on it; without a record the gaugings alone."""
    rows = marked.assign(value=marked["discharge_m3_s"])
    record = record_of(archive, site, as_of)
    if record is not None:
        graph = hydrograph_svg(whole_window(record, rows["time_us"].to_numpy()), rows)
        return {"hydrograph": drawn(graph), "over_time": None}
    if rows.empty:
        return {"hydrograph": None, "over_time": None}
    none = np.zeros(0, dtype=np.int64)
    alone = Series(title="Discharge", unit="m³/s", times=none, values=none.astype(np.float64), step=0.0)
    graph = hydrograph_svg(whole_window(alone, rows["time_us"].to_numpy()), rows, name="gaugings-over-time")
    return {"hydrograph": None, "over_time": drawn(graph)}


def _daily(archive: Archive, site: str, facts: dict[str, Any], as_of: Any) -> dict[str, Any]:
    """Draw flow duration and sum up years, from daily means."""
    rows = optional(archive, "daily", [site], as_of)
    if rows.empty:
        return {"duration": None, "years": [], "start_month": None}
    mean = rows["mean_m3_s"].to_numpy(dtype=np.float64)
    month = facts.get("water_year_start_month")
    start = 1 if month is None or pd.isna(month) else int(month)
    day = pd.to_datetime(rows["day"]) if not pd.api.types.is_datetime64_any_dtype(rows["day"]) else rows["day"]
    groups = rows.assign(year=water_year(day, start)).groupby("year")
    years = groups.agg(
        days=("mean_m3_s", "count"),
        mean=("mean_m3_s", "mean"),
        least=("minimum_m3_s", "min"),
        most=("maximum_m3_s", "max"),
    )
    return {
        "duration": drawn(duration_svg(flow_duration(mean))),
        "years": rows_of(years.reset_index()),
        "start_month": start,
    }
