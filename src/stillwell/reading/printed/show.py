"""One gauging, one site or one deposit as a page of text, the way a person would check it by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import recorded_by
from stillwell.archive.tables.current_rows import newest_rows
from stillwell.errors import QueryError
from stillwell.hydrometry.gauging.uncertainty_in_use import standard_uncertainty
from stillwell.number_words import within
from stillwell.reading.printed.text import as_table, significant, time_text

CAUTION = (
    "Wading, floods and ice kill. No number here says that entering the water is safe; "
    "local rules, training and the people on the bank decide."
)

GRAVITY = {"unusable": 0, "suspect": 1, "note": 2}
"""Order in which findings are shown."""

_VERTICAL_COLUMNS = {
    "vertical": "vertical",
    "position_m": "position m",
    "depth_m": "depth m",
    "kind": "kind",
    "profile_method": "points used",
    "mean_velocity_m_s": "velocity m/s",
    "cosine": "cosine",
    "width_m": "width m",
    "area_m2": "area m2",
    "discharge_m3_s": "discharge m3/s",
    "share_pct": "share %",
    "channel": "channel",
}
_REVISION_COLUMNS = {
    "revision": "revision",
    "status": "status",
    "candidate": "candidate",
    "discharge_m3_s": "discharge m3/s",
    "recorded_at": "recorded at",
    "revision_reason": "reason",
    "deposit": "deposit",
}


def show_gauging(archive: Archive, gauging_id: str, as_of: Any = None, *, revisions: bool = False) -> str:
    """Write out a gauging: header, result, verticals and panels, gauge height, findings, revisions, trail.

    Parameters
    ----------
    archive : Archive
    gauging_id : str
    as_of : datetime, optional
    revisions : bool
        Write out every revision recorded by then, the oldest first, and not only the one that stands.

    Returns
    -------
    str

    Raises
    ------
    QueryError
        If the archive holds no such gauging.
    """
    known, standing = gauging_rows_known(archive, gauging_id, as_of)
    then = archive.at(as_of)
    parts = [_headline(gauging_id, standing)]
    if revisions:
        by_then = recorded_by(known, as_of)
        for _, row in newest_rows(by_then).iterrows():
            parts += [
                f"---- revision {row['revision']}, {row['status']}: {row['revision_reason']}",
                *_sheet(then, row),
            ]
    elif len(standing):
        parts += _sheet(then, standing.iloc[0])
    parts += [_revisions(known), CAUTION]
    return "\n\n".join(part for part in parts if part)


def gauging_rows_known(archive: Archive, gauging_id: str, as_of: Any = None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read every row ever recorded of a gauging, and the one that stood at a moment.

    Raises
    ------
    QueryError
        If the archive holds no such gauging.
    """
    sites = archive.sites_of([gauging_id])
    known = archive.read("gaugings", sites=sites)
    known = known[known["gauging_id"] == gauging_id]
    if known.empty:
        msg = f"expected the id of a gauging in this archive, found {gauging_id!r}"
        raise QueryError(msg)
    standing = archive.at(as_of).standing("gaugings", sites=sites)
    return known, standing[standing["gauging_id"] == gauging_id]


def _sheet(archive: Archive, row: pd.Series) -> list[str]:
    computed = [_facts(row), _result(row), _uncertainty(archive, row)]
    return [*computed, _verticals(archive, row), _findings(archive, row)]


def _headline(gauging_id: str, standing: pd.DataFrame) -> str:
    if standing.empty:
        return f"{gauging_id}: no revision stands (withdrawn, or recorded later than asked)"
    row = standing.iloc[0]
    waiting = ", a candidate waits beside it" if bool(row["candidate"]) else ""
    return f"{gauging_id}  revision {row['revision']}, {row['status']}{waiting}"


def _facts(row: pd.Series) -> str:
    facts = {
        "site": row["site"],
        "label on the sheet": row["label"],
        "started": time_text(row["started_at"]),
        "ended": time_text(row["ended_at"]),
        "offset given": row["offset_given"],
        "method": row["method"],
        "section": row["section_method"],
        "instrument": row["instrument"],
        "party": row["party"],
        "start bank": row["start_bank"],
        "control": row["control_condition"],
        "party's own judgement": row["field_quality"],
        "remarks": row["remarks"],
    }
    return "\n".join(f"  {name:<22} {value}" for name, value in facts.items() if pd.notna(value))


def _result(row: pd.Series) -> str:
    figures = {
        "discharge": ("discharge_m3_s", "m3/s"),
        "handed in": ("handed_in_discharge_m3_s", "m3/s"),
        "area": ("area_m2", "m2"),
        "width": ("width_m", "m"),
        "mean velocity": ("mean_velocity_m_s", "m/s"),
        "mean depth": ("mean_depth_m", "m"),
        "greatest depth": ("max_depth_m", "m"),
        "greatest velocity": ("max_velocity_m_s", "m/s"),
        "largest share": ("largest_share_pct", "%"),
        "gauge height": ("gauge_height_m", "m"),
        "  time-weighted": ("gauge_height_time_m", "m"),
        "  discharge-weighted": ("gauge_height_discharge_m", "m"),
        "  change": ("gauge_height_change_m", "m"),
        "into storage": ("storage_m3_s", "m3/s"),
        "discharge at the gauge": ("discharge_at_gauge_m3_s", "m3/s"),
    }
    lines = [
        f"  {name:<22} {significant(row[column])} {unit}"
        for name, (column, unit) in figures.items()
        if pd.notna(row[column])
    ]
    kind = "computed from its points" if row["recomputable"] else "as handed in, not recomputable"
    if row["gauge_height_rule"] != "none":
        lines.append(f"  {'gauge height used':<22} {row['gauge_height_rule']} mean")
    return "\n".join([f"Result ({kind})", *lines])


def _handed_in_uncertainty(row: pd.Series) -> str:
    """Write the uncertainty that came with a result, and the standard one it counts as."""
    standard = float(standard_uncertainty(row.to_frame().T)[0])
    level = row["handed_in_uncertainty_level"]
    confidence = "no level said, taken as one standard uncertainty" if pd.isna(level) else f"{level:g} %"
    counts = "" if np.isnan(standard) else f"; standard {significant(100 * standard, 3)} %"
    return f"  {'handed in':<22} {significant(row['handed_in_uncertainty_pct'], 3)} % ({confidence}){counts}"


def _uncertainty(archive: Archive, row: pd.Series) -> str:
    """Write both uncertainties, the budget of the first, and the word that follows."""
    lines = []
    for name, column in (("from tables", "uncertainty_table"), ("from its own scatter", "uncertainty_scatter")):
        if pd.notna(row[f"{column}_m3_s"]):
            share = row[f"{column}_pct"]
            percent = "no percent" if pd.isna(share) else f"{significant(share, 3)} %"
            half = row[f"{column}_m3_s"] / 2
            expanded = significant(row[f"{column}_m3_s"], 3)
            lines.append(f"  {name:<22} {expanded} m3/s ({percent}); standard {significant(half, 3)} m3/s")
    if not lines and pd.notna(row.get("handed_in_uncertainty_pct")):
        lines.append(_handed_in_uncertainty(row))
    budget = own_rows(archive, "uncertainty_budget", row).sort_values("variance_pct", ascending=False, kind="stable")
    parts = zip(budget["component"], budget["standard_m3_s"], budget["variance_pct"], strict=True)
    lines += [
        f"    {name:<24} {significant(u, 3):>10} m3/s  {share:5.1f} % of the variance" for name, u, share in parts
    ]
    if pd.notna(row["within_pct"]):
        lines.append(f"  {'standard (k = 1)':<22} {within(row['within_pct'])}, by the larger of those known")
    if not lines:
        return ""
    heading = "Uncertainty (95 %, k = 2; the tables are ISO 748's as remembered, unverified)"
    return "\n".join([heading, *lines])


def _verticals(archive: Archive, row: pd.Series) -> str:
    rows = own_rows(archive, "verticals", row).sort_values("position_m")
    if rows.empty:
        return ""
    records = rows[list(_VERTICAL_COLUMNS)].rename(columns=_VERTICAL_COLUMNS)
    page = "Verticals and panels\n" + as_table(_records(records), list(records.columns))
    channels = rows[rows["channel"] > 0].groupby("channel")[["width_m", "area_m2", "discharge_m3_s"]].sum()
    if len(channels) < 2:
        return page
    cells = zip(channels.index, channels["discharge_m3_s"], channels["area_m2"], channels["width_m"], strict=True)
    lines = [
        f"  channel {number}: {significant(q)} m3/s, {significant(area)} m2, {significant(width)} m"
        for number, q, area, width in cells
    ]
    return "\n".join([page, *lines])


def _findings(archive: Archive, row: pd.Series) -> str:
    rows = own_rows(archive, "findings", row)
    if rows.empty:
        return "Findings\n  none"
    rows = rows.sort_values("severity", key=lambda s: s.map(GRAVITY), kind="stable")
    lines = [f"  {r.severity:<8} {r.code}: {r.message} [{r.source}]" for r in rows.itertuples()]
    return "\n".join(["Findings", *lines])


def _revisions(rows: pd.DataFrame) -> str:
    shown = rows.sort_values(["revision", "recorded_at"]).rename(columns=_REVISION_COLUMNS)
    shown = shown[list(_REVISION_COLUMNS.values())]
    return "Revisions\n" + as_table(_records(shown), list(shown.columns))


def own_rows(archive: Archive, table: str, row: pd.Series) -> pd.DataFrame:
    """Read the rows of a table that belong to one revision of a gauging."""
    rows = archive.read(table, sites=[row["site"]])
    return rows[(rows["gauging_id"] == row["gauging_id"]) & (rows["revision"] == row["revision"])]


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    plain = frame.astype(object).where(frame.notna(), None)
    return [dict(zip(plain.columns, row, strict=True)) for row in plain.itertuples(index=False)]
