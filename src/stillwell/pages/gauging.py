"""The page of a gauging: result, findings, section, uncertainty, meter, and its place among the others of its site."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
from markupsafe import Markup

from stillwell.archive.tables.current_rows import newest_rows
from stillwell.drawing.budget import Interval, budget_svg, intervals_svg
from stillwell.drawing.section import section_svg
from stillwell.errors import QueryError
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s, standard_uncertainty
from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import drawn, first_record, records
from stillwell.pages.marked_gaugings import kept_out, marked, stage_discharge
from stillwell.pages.meter_history import meter_history, rows_of_meter
from stillwell.pages.ratings import policy_for_pages, ratings_at
from stillwell.pages.site_gaugings import register_row, site_gaugings
from stillwell.pages.wording import (
    findings_by_code,
    most_severe_first,
    result_sentence,
    severest,
    suspect_verticals,
    within_words,
)
from stillwell.reading.policy import PolicyShown
from stillwell.reading.rating.site_ratings import departures

WADING = "wading-product-high"
FACTS = (
    ("label on the sheet", "label"), ("number on the sheet", "sheet_number"), ("method", "method"),
    ("panels formed by", "section_method"), ("party", "party"), ("start bank", "start_bank"),
    ("control", "control_condition"), ("party's own judgement", "field_quality"), ("checks", "check_of"),
    ("corrects", "corrects"), ("visit", "visit"), ("discharge computed by", "result_by"),
    ("gauge height averaged", "gauge_height_rule"), ("remarks", "remarks"),
)  # fmt: skip
RESULTS = (
    ("discharge as handed in", "handed_in_discharge_m3_s", "m³/s"), ("area", "area_m2", "m²"),
    ("width", "width_m", "m"),
    ("mean velocity", "mean_velocity_m_s", "m/s"), ("mean depth", "mean_depth_m", "m"),
    ("greatest depth", "max_depth_m", "m"), ("greatest velocity", "max_velocity_m_s", "m/s"),
    ("verticals with water", "verticals", ""), ("points", "points", ""),
    ("largest share of a panel", "largest_share_pct", "%"), ("gauge height, time-weighted", "gauge_height_time_m", "m"),
    ("gauge height, discharge-weighted", "gauge_height_discharge_m", "m"),
    ("change of gauge height", "gauge_height_change_m", "m"), ("into storage", "storage_m3_s", "m³/s"),
    ("discharge at the gauge", "discharge_at_gauge_m3_s", "m³/s"), ("water temperature", "water_temperature_c", "°C"),
    ("water temperature by the meter", "meter_temperature_c", "°C"),
)  # fmt: skip
UNCERTAINTIES = (
    ("tables, by component", "uncertainty_table", "what such a gauging usually misses. Table values of ISO 748:2007 as "
     "remembered and unverified"),
    ("its own scatter", "uncertainty_scatter", "what changes from vertical to vertical; blind to what all of them "
     "share, such as the meter's calibration. After Cohn, Kiang and Mason 2013, equations as remembered"),
)  # fmt: skip
DOWNLOADS = ("gaugings", "verticals", "points", "findings", "uncertainty_budget")


def gauging_page(view: View, gauging: str, revision: int = 0) -> dict[str, Any]:
    """Return what the page of a gauging shows.

    Parameters
    ----------
    view : View
    gauging : str
        Its archive id.
    revision : int
        0 for the one that stands, or without one the newest.

    Raises
    ------
    QueryError
        If there is no such gauging, or no such revision.
    """
    sites = view.archive.sites_of([gauging])
    known = view.every("gaugings", sites)
    known = known[known["gauging_id"] == gauging] if len(known) else known
    if known.empty:
        msg = f"expected the id of a gauging in this archive, found {gauging!r}"
        raise QueryError(msg)
    revisions = newest_rows(known)
    standing = pd.concat([view.standing("gaugings", site) for site in sites])
    standing = standing[standing["gauging_id"] == gauging]
    shown = standing if len(standing) else revisions.tail(1)
    if revision:
        shown = revisions[revisions["revision"] == revision]
    if shown.empty:
        numbers = ", ".join(map(str, revisions["revision"]))
        msg = f"expected a revision of the gauging {gauging}, one of {numbers}, found {revision}"
        raise QueryError(msg)
    row = first_record(shown)
    reviews = view.standing("reviews")
    if len(reviews):
        reviews = reviews[reviews["subject"] == gauging].sort_values("decided_at", kind="stable")
    policy = policy_for_pages(view, str(row["policy_digest"]))
    return {
        "g": row,
        "site": register_row(view, row["site"]) or {"name": None, "river": None},
        "stands": bool(len(standing)) and row["revision"] == int(standing["revision"].iloc[0]),
        "withdrawn": standing.empty,
        "revisions": records(known.sort_values(["revision", "recorded_at"], kind="stable")),
        "reviews": records(reviews),
        "policy": policy,
        "result": result_sentence(row),
        "within": within_words(row),
        "facts": [(label, row[column]) for label, column in FACTS if row.get(column) is not None],
        "results": [(label, row[column], unit) for label, column, unit in RESULTS if row.get(column) is not None],
        "heights": _heights(view, row),
        "links": _downloads(view, row),
        **_measured(view, row, policy),
        **_uncertainty(view, row),
        **_meter(view, row, policy),
        **_place(view, row),
    }


def _own(view: View, table: str, row: dict[str, Any]) -> pd.DataFrame:
    """Read the rows of a revision, also where none of it stands any more."""
    rows = view.every(table, [row["site"]])
    if rows.empty:
        return rows
    return rows[(rows["gauging_id"] == row["gauging_id"]) & (rows["revision"] == row["revision"])]


def _downloads(view: View, row: dict[str, Any]) -> dict[str, list[tuple[str, str]]]:
    own = {"gauging_id": row["gauging_id"]}
    revisions = {table: {} if table == "gaugings" else {"revisions": "all"} for table in DOWNLOADS}
    return {table: urls.downloads(table, **own, **more) for table, more in revisions.items() if table in view.tables}


def _measured(view: View, row: dict[str, Any], policy: PolicyShown) -> dict[str, Any]:
    """Lay out the measurements, the section and the findings."""
    findings = most_severe_first(_own(view, "findings", row))
    verticals, points = _own(view, "verticals", row), _own(view, "points", row)
    section, over = None, {}
    mean_section = row["section_method"] == "mean-section"
    share = {name: policy.limit(f"share_{name}_pct") for name in ("high", "raised")}
    if len(verticals):
        verticals = verticals.sort_values(["position_m", "order_walked"], kind="stable")
        suspect, bank = suspect_verticals(findings), row["start_bank"]
        section = drawn(section_svg(verticals, points, mean_section=mean_section, start_bank=bank, findings=suspect))
        over = {name: int((verticals["share_pct"] > limit).sum()) for name, limit in share.items()}
    severity_of = severest(_of_verticals(findings), "key")
    return {
        "grouped": findings_by_code(findings),
        "worst": findings["severity"].iloc[0] if len(findings) else "",
        "wading": [one["message"] for one in records(findings) if one["code"] == WADING],
        "section": section,
        "mean_section": mean_section,
        "share": share,
        "share_source": {name: policy.source(f"share_{name}_pct") for name in share},
        "over": over,
        "verticals": [v | {"severity": severity_of.get(f"vertical {v['vertical']}", "")} for v in records(verticals)],
        "points": records(points),
    }


def _of_verticals(findings: pd.DataFrame) -> pd.DataFrame:
    """Let findings of points count for the vertical they are in: ``vertical 7, 0.6`` is about vertical 7."""
    if findings.empty:
        return findings
    number = findings["key"].astype("str").str.extract(r"^(vertical \d+)", expand=False)
    return findings.assign(key=number)[number.notna()]


def _uncertainty(view: View, row: dict[str, Any]) -> dict[str, Any]:
    budget = _own(view, "uncertainty_budget", row)
    half = expanded_m3_s(pd.DataFrame([row]))[0]
    rows = [
        {"basis": basis, "m3_s": row[f"{name}_m3_s"], "pct": row[f"{name}_pct"], "sees": sees}
        for basis, name, sees in UNCERTAINTIES
    ]
    computed = any(one["m3_s"] is not None for one in rows)
    if not computed and math.isfinite(half):
        percent = 200 * standard_uncertainty(pd.DataFrame([row]))[0]
        rows = [{"basis": "handed in with the result", "m3_s": half, "pct": percent, "sees": "what its party knows"}]
    return {
        "computed": computed,
        "uncertainties": rows if computed or math.isfinite(half) else [],
        "intervals": _intervals(row),
        "budget": drawn(budget_svg(budget)) if len(budget) else None,
    }


def _intervals(row: dict[str, Any]) -> Markup | None:
    flow = row["discharge_m3_s"]
    halves = (("from tables", row["uncertainty_table_m3_s"]), ("from its own scatter", row["uncertainty_scatter_m3_s"]))
    intervals = [Interval(label, flow, half) for label, half in halves if flow is not None and half is not None]
    if not intervals:
        return None
    handed_in, percent = row["handed_in_discharge_m3_s"], row["handed_in_uncertainty_pct"]
    if handed_in is not None:
        level = row["handed_in_uncertainty_level"]
        label = "handed in" if percent is None or level is None else f"handed in ({level:g} %)"
        half = math.nan if percent is None else abs(handed_in) * percent / 100
        intervals.append(Interval(label, handed_in, half, "square"))
    return drawn(intervals_svg(intervals))


def _heights(view: View, row: dict[str, Any]) -> list[dict[str, Any]]:
    """Find the readings of the gauge that were handed in for the gauging."""
    rows = view.standing("gauge_heights", row["site"])
    if rows.empty:
        return []
    mine = rows[(rows["gauging"] == row["label"]) & (rows["deposit"] == row["deposit"])]
    return records(mine.sort_values("read_at"))


def _meter(view: View, row: dict[str, Any], policy: PolicyShown) -> dict[str, Any]:
    """Find the checks of the meter next to the gauging, and draw the history of all; those after it as known now."""
    out: dict[str, Any] = {"meter_kind": None, "checks": [], "health": None, "check_days": policy.limit("check_days")}
    if row["instrument"] is None:
        return out
    kinds = [one["kind"] for one in records(rows_of_meter(view, "instruments", row["instrument"], "valid_from"))]
    out["meter_kind"] = kinds[-1] if kinds else None
    history = meter_history(view, row["instrument"], str(row["policy_digest"]))
    checks = history.checks
    if checks.empty:
        return out
    days = (checks["checked_at"] - row["started_at"]).dt.total_seconds() / 86_400
    sides = (("last before", checks[days <= 0].tail(1)), ("first after", checks[days > 0].head(1)))
    out["checks"] = [r | {"side": side, "days": abs(days[i])} for side, part in sides for i, r in _by_index(part)]
    out["health"] = history.drawing(pd.Series([row["started_at"]]))
    return out


def _by_index(rows: pd.DataFrame) -> list[tuple[Any, dict[str, Any]]]:
    return list(zip(rows.index, records(rows), strict=True))


def _place(view: View, row: dict[str, Any]) -> dict[str, Any]:
    """Draw the gauging among the others of its site, and say how it lies to the rating in force then."""
    this, site = row["gauging_id"], row["site"]
    others = site_gaugings(view, site)
    if others.empty or this not in set(others["gauging_id"]):
        own = view.every("gaugings", [site])
        own = own[(own["gauging_id"] == this) & (own["revision"] == row["revision"])].tail(1)
        others = pd.concat([others, own], ignore_index=True)
    ratings = ratings_at(view, site)
    held = [rating for rating in ratings if rating.since <= row["started_at"]]
    rating = next(reversed(held or ratings), None)
    rows = marked(view, others, this)
    axes = (False, True) if rating else (False,)
    return {
        "place": [stage_discharge(view, rows, rating, log=log) for log in axes],
        "neighbours": len(others) - 1,
        "rating": held[-1] if held else None,
        "departure": float(departures(pd.DataFrame([row]), held).iloc[0]),
        "kept_out": _why_out(view, others[others["gauging_id"] == this]),
    }


def _why_out(view: View, row: pd.DataFrame) -> str:
    """Say why a gauging is kept out of ratings; nothing where it is not."""
    reviews = view.standing("reviews")
    if row["status"].iloc[0] == "withdrawn":
        return "it was withdrawn"
    if not kept_out(row, view.standing("findings", row["site"].iloc[0]), reviews)[0]:
        return ""
    if len(reviews):
        mine = reviews[(reviews["subject"] == row["gauging_id"].iloc[0]) & (reviews["decision"] == "excluded")]
        if len(mine):
            last = mine.sort_values("decided_at", kind="stable").iloc[-1]
            return f"{last['by']} excluded it on {last['decided_at']:%Y-%m-%d}, {last['reason']}"
    return "it is an estimate" if row["method"].iloc[0] == "estimated" else "it has an unusable finding"
