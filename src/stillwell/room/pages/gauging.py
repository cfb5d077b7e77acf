"""The page of a gauging: its result, findings, uncertainty, meter, and the files it rests on."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from stillwell.archive.ledger.moved_gaugings import sites_named
from stillwell.archive.tables.current_rows import newest_rows
from stillwell.drawing.section import section_svg
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s, standard_uncertainty
from stillwell.reading.rating.site_ratings import departures
from stillwell.reporting.wording import suspect_verticals
from stillwell.room import urls
from stillwell.room.data.archive_view import View
from stillwell.room.data.policy_and_ratings import ratings_at
from stillwell.room.data.rows import first_record, records
from stillwell.room.pages.page import download_links, embedded, most_severe_first, page, severest
from stillwell.room.query_params import NotFound, whole_number

MOST_ALIKE = 60
"""Findings of one code written out one by one."""

FACTS = (
    ("label on the sheet", "label"), ("number on the sheet", "sheet_number"), ("method", "method"),
    ("panels formed by", "section_method"), ("party", "party"), ("start bank", "start_bank"),
    ("control", "control_condition"), ("party's own judgement", "field_quality"), ("checks", "check_of"),
    ("corrects", "corrects"), ("visit", "visit"), ("discharge computed by", "result_by"), ("remarks", "remarks"),
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
)  # fmt: skip


def gauging_page(view: View, request: Request) -> Response:
    """Answer with a gauging: the revision that stands, or the one asked for."""
    gauging = urls.decoded(request.path_params["gauging"])
    sites = _sites(view, gauging)
    known = view.every("gaugings", sites)
    known = known[known["gauging_id"] == gauging] if len(known) else known
    if known.empty:
        msg = f"This archive has no gauging with the id {gauging!r}."
        raise NotFound(msg)
    revisions = newest_rows(known)
    standing = pd.concat([view.standing("gaugings", site) for site in sites])
    standing = standing[standing["gauging_id"] == gauging]
    asked = whole_number(request.query_params, "revision")
    shown = revisions[revisions["revision"] == asked] if asked else (standing if len(standing) else revisions.tail(1))
    if shown.empty:
        msg = f"The gauging {gauging} has no revision {asked}; it has {', '.join(map(str, revisions['revision']))}."
        raise NotFound(msg)
    row = first_record(shown)
    stands = bool(len(standing)) and row["revision"] == int(standing["revision"].iloc[0])
    return page(view, request, "gauging", **_contents(view, row), revisions=records(revisions), stands=stands)


def _sites(view: View, gauging: str) -> list[str]:
    named = sites_named(pd.Series([gauging], dtype="str")).dropna()
    return view.archive.related(list(named))


def _own(view: View, table: str, row: dict[str, Any]) -> pd.DataFrame:
    rows = view.every(table, [row["site"]])
    if rows.empty:
        return rows
    return rows[(rows["gauging_id"] == row["gauging_id"]) & (rows["revision"] == row["revision"])]


def _contents(view: View, row: dict[str, Any]) -> dict[str, Any]:
    findings = most_severe_first(_own(view, "findings", row))
    verticals = _own(view, "verticals", row)
    points = _own(view, "points", row)
    budget = _own(view, "uncertainty_budget", row)
    if len(verticals):
        verticals = verticals.sort_values(["position_m", "order_walked"], kind="stable")
    severity_of = severest(_of_verticals(findings), "key")
    own = {"gauging_id": row["gauging_id"], "revisions": "all"}
    return {
        "g": row,
        "departure": float(departures(pd.DataFrame([row]), ratings_at(view, row["site"])).iloc[0]),
        "facts": [(label, row[column]) for label, column in FACTS if row.get(column) is not None],
        "results": [(label, row[column], unit) for label, column, unit in RESULTS if row.get(column) is not None],
        "uncertainties": _uncertainties(row),
        "grouped": _by_code(findings),
        "worst": findings["severity"].iloc[0] if len(findings) else "",
        "drawn": _section(row, verticals, points, findings),
        "verticals": [v | {"severity": severity_of.get(f"vertical {v['vertical']}", "")} for v in records(verticals)],
        "points": records(points),
        "budget": records(budget.sort_values("variance_pct", ascending=False)) if len(budget) else [],
        "heights": _heights(view, row),
        "checks": _checks(view, row),
        "links": {
            table: download_links(table, **(own if table != "gaugings" else {"gauging_id": row["gauging_id"]}))
            for table in ("gaugings", "verticals", "points", "findings", "uncertainty_budget")
            if table in view.tables
        },
    }


def _section(
    row: dict[str, Any], verticals: pd.DataFrame, points: pd.DataFrame, findings: pd.DataFrame
) -> Markup | None:
    """Draw the section as a report does; its style stands in a file of the room's own."""
    if verticals.empty:
        return None
    drawn = section_svg(
        verticals,
        points,
        mean_section=row["section_method"] == "mean-section",
        start_bank=row["start_bank"],
        findings=suspect_verticals(findings) if len(findings) else {},
    )
    return embedded(drawn)


def _of_verticals(findings: pd.DataFrame) -> pd.DataFrame:
    """Let findings of points count for the vertical they are in: ``vertical 7, 0.6`` is about vertical 7."""
    if findings.empty:
        return findings
    number = findings["key"].astype("str").str.extract(r"^(vertical \d+)", expand=False)
    return findings.assign(key=number)[number.notna()]


def _uncertainties(row: dict[str, Any]) -> list[dict[str, Any]]:
    sources = (
        ("from tables (ISO 748's, as remembered, unverified)", "uncertainty_table"),
        ("from the scatter of its own depths and velocities", "uncertainty_scatter"),
    )
    computed = [
        {"basis": words, "m3_s": row[f"{name}_m3_s"], "pct": row[f"{name}_pct"]}
        for words, name in sources
        if row.get(f"{name}_m3_s") is not None
    ]
    half = expanded_m3_s(pd.DataFrame([row]))[0]
    if computed or not math.isfinite(half):
        return computed
    percent = 200 * standard_uncertainty(pd.DataFrame([row]))[0]
    return [{"basis": "handed in with the result, as k = 2", "m3_s": half, "pct": percent}]


def _by_code(findings: pd.DataFrame) -> list[dict[str, Any]]:
    """Group findings by code, the most severe first, each with its limit and source."""
    if findings.empty:
        return []
    out = []
    for code, rows in findings.groupby("code", sort=False):
        one = first_record(rows)
        out.append(
            {
                "code": code,
                "severity": one["severity"],
                "rows": records(rows.head(MOST_ALIKE)),
                "many": len(rows),
                "source": one["source"] if (rows["source"] == one["source"]).all() else None,
            }
        )
    return out


def _heights(view: View, row: dict[str, Any]) -> list[dict[str, Any]]:
    """Find the readings of the gauge that were handed in for the gauging."""
    rows = view.standing("gauge_heights", row["site"])
    if rows.empty:
        return []
    mine = rows[(rows["gauging"] == row["label"]) & (rows["deposit"] == row["deposit"])]
    return records(mine.sort_values("read_at"))


def _checks(view: View, row: dict[str, Any]) -> list[dict[str, Any]]:
    """Find the checks of the meter next to the gauging; the one after it as known now."""
    checks = view.standing("checks")
    if checks.empty or row["instrument"] is None:
        return []
    own = checks[checks["instrument"] == row["instrument"]].sort_values("checked_at")
    before = own[own["checked_at"] <= row["started_at"]].tail(1)
    after = own[own["checked_at"] > row["started_at"]].head(1)
    return [r | {"side": side} for side, part in (("before", before), ("after", after)) for r in records(part)]
