"""The report of one gauging: section, result, findings, meter, place among the others, and provenance."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import recorded_by
from stillwell.archive.ledger.moved_gaugings import sites_named
from stillwell.archive.tables.current_rows import newest_rows
from stillwell.drawing.budget import Interval, budget_svg, intervals_svg
from stillwell.drawing.section import section_svg
from stillwell.errors import QueryError
from stillwell.reading.policy import PolicyShown, policy_shown
from stillwell.reading.rating.site_ratings import departures
from stillwell.reporting.meters import meter_history
from stillwell.reporting.page import day, drawn, moment, page, rows_of
from stillwell.reporting.provenance import rests_on
from stillwell.reporting.rating_plot import drawings, kept_out, marked_gaugings
from stillwell.reporting.ratings import Shown, shown_ratings
from stillwell.reporting.wording import finding_groups, result_sentence, suspect_verticals, within_words

WADING = "wading-product-high"


def gauging_report(archive: Archive, gauging_id: str, as_of: Any = None) -> str:
    """Write the report of a gauging.

    Parameters
    ----------
    archive : Archive
    gauging_id : str
    as_of : datetime, optional
        Show the gauging as it stood then. Which commit recorded what is shown as known now.

    Returns
    -------
    str
        A self-contained HTML page.

    Raises
    ------
    QueryError
        If the archive holds no such gauging, or held none by then.
    """
    sites = archive.related(list(sites_named(pd.Series([gauging_id])).dropna()))
    known = archive.read("gaugings", sites=sites)
    known = known[known["gauging_id"] == gauging_id]
    by_then = recorded_by(known, as_of)
    if by_then.empty:
        when = "" if known.empty else f" by {moment(as_of)}; it was first recorded {moment(known['recorded_at'].min())}"
        msg = f"expected the id of a gauging in this archive{when}, found {gauging_id!r}"
        raise QueryError(msg)
    standing = archive.at(as_of).standing("gaugings", sites=sites)
    mine = standing[standing["gauging_id"] == gauging_id]
    withdrawn = mine.empty
    row = newest_rows(by_then).iloc[-1] if withdrawn else mine.iloc[0]
    inforce = policy_shown(archive, str(row["policy_digest"]))
    values = {
        "row": _plain(row),
        "withdrawn": withdrawn,
        "as_of": as_of,
        "site": _site(archive, str(row["site"]), as_of),
        "sentence": result_sentence(row),
        "within": within_words(row),
        "policy": inforce,
        **_measured(archive, row, inforce, as_of),
        **_meter(archive, row, inforce, as_of),
        **_place(archive, row, standing, as_of),
        **_history(archive, by_then, gauging_id, as_of),
        "rests": rests_on(archive, gauging_id, int(row["revision"])),
    }
    return page("gauging.html", archive, **values)


def _plain(row: pd.Series) -> dict[str, Any]:
    return {str(name): None if pd.isna(value) else value for name, value in row.items()}


def _site(archive: Archive, site: str, as_of: Any) -> dict[str, Any]:
    rows = archive.at(as_of).standing("sites")
    mine = rows[rows["site"] == site].sort_values("valid_from", na_position="first", kind="stable")
    return {"site": site, "name": None, "river": None} if mine.empty else _plain(mine.iloc[-1])


def _own(archive: Archive, table: str, row: pd.Series, as_of: Any) -> pd.DataFrame:
    """Read the rows of a gauging's revision as recorded by then, also where none stands any more."""
    rows = archive.at(as_of).read(table, sites=[row["site"]])
    return rows[(rows["gauging_id"] == row["gauging_id"]) & (rows["revision"] == row["revision"])]


def _measured(archive: Archive, row: pd.Series, inforce: PolicyShown, as_of: Any) -> dict[str, Any]:
    """Draw and list the measurements, the results and the findings."""
    verticals = _own(archive, "verticals", row, as_of).sort_values(["position_m", "order_walked"], kind="stable")
    points, findings, budget = (_own(archive, t, row, as_of) for t in ("points", "findings", "uncertainty_budget"))
    bank = None if pd.isna(row["start_bank"]) else str(row["start_bank"])
    mean_section = row["section_method"] == "mean-section"
    share = {name: inforce.limit(f"share_{name}_pct") for name in ("high", "raised")}
    suspect = suspect_verticals(findings)
    section = section_svg(verticals, points, mean_section=mean_section, start_bank=bank, findings=suspect)
    return {
        "verticals": rows_of(verticals),
        "mean_section": mean_section,
        "section": drawn(section) if len(verticals) else None,
        "share": share | {"source": inforce.source("share_high_pct"), "from": inforce.source("share_raised_pct")},
        "over": {name: int((verticals["share_pct"] > limit).sum()) for name, limit in share.items()},
        "budget": drawn(budget_svg(budget)) if len(budget) else None,
        "intervals": _intervals(row),
        "findings": finding_groups(findings),
        "wading": [str(m) for m in findings.loc[findings["code"] == WADING, "message"]],
    }


def _intervals(row: pd.Series) -> Markup | None:
    flow = float(row["discharge_m3_s"]) if pd.notna(row["discharge_m3_s"]) else float("nan")
    intervals = [
        Interval("from tables", flow, float(row["uncertainty_table_m3_s"])),
        Interval("from its own scatter", flow, float(row["uncertainty_scatter_m3_s"])),
    ]
    intervals = [one for one in intervals if pd.notna(one.half)]
    if pd.notna(row["handed_in_discharge_m3_s"]):
        given, percent = float(row["handed_in_discharge_m3_s"]), float(row["handed_in_uncertainty_pct"])
        level = row["handed_in_uncertainty_level"]
        label = "handed in" if pd.isna(percent) or pd.isna(level) else f"handed in ({level:g} %)"
        intervals.append(Interval(label, given, abs(given) * percent / 100, "square"))
    return drawn(intervals_svg(intervals)) if intervals and pd.notna(flow) else None


def _meter(archive: Archive, row: pd.Series, inforce: PolicyShown, as_of: Any) -> dict[str, Any]:
    """Tell the meter's last check before and first after, and draw its history."""
    if pd.isna(row["instrument"]):
        return {"instrument": None, "checks": [], "health": None}
    history = meter_history(archive, str(row["instrument"]), inforce, as_of)
    checks = history.checks
    before = checks[checks["checked_at"] <= row["started_at"]].tail(1).assign(when="last before")
    after = checks[checks["checked_at"] > row["started_at"]].head(1).assign(when="first after")
    beside = pd.concat([before, after])
    days = (beside["checked_at"] - row["started_at"]).dt.total_seconds().abs() / 86_400
    instruments = archive.at(as_of).standing("instruments")
    kind = instruments.loc[instruments["instrument"] == row["instrument"], "kind"]
    return {
        "instrument": row["instrument"],
        "instrument_kind": None if kind.empty else kind.iloc[-1],
        "checks": rows_of(beside.assign(days=days.round(1))),
        "check_days": inforce.limit("check_days"),
        "health": history.drawing(pd.Series([row["started_at"]]), "health") if len(checks) else None,
    }


def _place(archive: Archive, row: pd.Series, standing: pd.DataFrame, as_of: Any) -> dict[str, Any]:
    """Draw the gauging among the others of its site, and say how it lies to the rating."""
    site, this = str(row["site"]), str(row["gauging_id"])
    others = standing[standing["site"] == site]
    if this not in set(others["gauging_id"]):
        others = pd.concat([others, row.to_frame().T.astype(others.dtypes.to_dict())], ignore_index=True)
    findings = archive.at(as_of).standing("findings", sites=[site])
    reviews = archive.at(as_of).standing("reviews")
    rows = marked_gaugings(others, findings, reviews, this)
    ratings = shown_ratings(archive, site, rows["stage_m"].to_numpy(), as_of)
    held = [r for r in ratings if r.rated.since <= row["started_at"]]
    return {
        "place": drawings(rows, held or ratings, "place"),
        "neighbours": int(len(rows) - 1),
        "beside": _beside(row, held),
        "kept_out": _why_out(others[others["gauging_id"] == this], findings, reviews),
        "no_stage": bool(pd.isna(row["gauge_height_m"])),
    }


def _beside(row: pd.Series, held: list[Shown]) -> str:
    if not held or pd.isna(row["gauge_height_m"]) or pd.isna(row["discharge_m3_s"]):
        return ""
    rated = held[-1].rated
    off = float(departures(pd.DataFrame([row.to_dict()]), [rated]).iloc[0])
    moved = "" if rated.force.shifts is None else ", moved by its shift"
    name = f"rating {rated.name}, in force since {day(rated.since)}{moved}"
    return f"The {name}, gives no flow at this stage." if pd.isna(off) else f"It lies {off:+.1f} % from {name}."


def _why_out(row: pd.DataFrame, findings: pd.DataFrame, reviews: pd.DataFrame) -> str:
    """Say why a gauging is kept out of ratings; nothing where it is not."""
    this = str(row["gauging_id"].iloc[0])
    if row["status"].iloc[0] == "withdrawn":
        return "it was withdrawn"
    if not kept_out(row, findings, reviews)[0]:
        return ""
    decided = reviews[(reviews["subject"] == this) & (reviews["decision"] == "excluded")]
    if len(decided):
        last = decided.sort_values("decided_at", kind="stable").iloc[-1]
        return f"{last['by']} excluded it on {day(last['decided_at'])}, {last['reason']}"
    return "it is an estimate" if row["method"].iloc[0] == "estimated" else "it has an unusable finding"


def _history(archive: Archive, by_then: pd.DataFrame, gauging_id: str, as_of: Any) -> dict[str, Any]:
    reviews = archive.at(as_of).standing("reviews")
    reviews = reviews[reviews["subject"] == gauging_id].sort_values("decided_at", kind="stable")
    rows = by_then.sort_values(["revision", "recorded_at"], kind="stable")
    return {"revisions": rows_of(rows), "reviews": rows_of(reviews)}
