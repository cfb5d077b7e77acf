"""What needs a person, in sentences: read off what is recorded; decides nothing."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.tables.current_rows import newest_rows
from stillwell.reporting.page import day

MOST_NAMED = 12


def attention(
    archive: Archive,
    gaugings: pd.DataFrame,
    findings: pd.DataFrame,
    span: tuple[datetime, datetime] | None = None,
    as_of: Any = None,
    site: str | None = None,
) -> list[dict[str, Any]]:
    """Collect what waits for a person.

    Parameters
    ----------
    archive : Archive
    gaugings, findings : DataFrame
        Those that stand, already narrowed to what is asked about.
    span : pair of datetime, optional
        Of a season: sites and meters without a gauging or check in it are named.
    as_of : datetime, optional
    site : str, optional
        Only this site.

    Returns
    -------
    list of dict
        ``what`` in words, ``names`` (of gaugings, meters or sites), ``more`` (how many names are left out).
    """
    provisional = gaugings[gaugings["status"] == "provisional"]
    kinds = [
        ("Gaugings with an unusable finding, to be included, excluded or withdrawn", _with(findings, "unusable")),
        ("Gaugings with a candidate that waits beside an approved revision", _candidates(archive, gaugings, as_of)),
        ("Provisional gaugings with a suspect finding of their own, to be reviewed", _suspect(provisional, findings)),
        ("Gaugings whose meter was found unfit and that nobody has reviewed", _unfit(provisional, findings)),
        ("Gaugings without a gauge height, which cannot speak to a rating", _missing(gaugings, "gauge_height_m")),
        ("Gaugings without a discharge", _missing(gaugings, "discharge_m3_s")),
        ("Meters whose newest check found them unfit", _meters(archive, gaugings, as_of, site)),
    ]
    if span is not None:
        kinds.append(("Sites without a gauging in this season", _silent(archive, gaugings, as_of)))
    count = len(provisional)
    out = [
        {"what": what, "names": names[:MOST_NAMED], "more": max(len(names) - MOST_NAMED, 0), "count": len(names)}
        for what, names in kinds
        if names
    ]
    if count:
        out.append(
            {"what": "Provisional gaugings in all, waiting for a review", "names": [], "more": 0, "count": count}
        )
    return out


def _with(findings: pd.DataFrame, severity: str) -> list[str]:
    return sorted(set(findings.loc[findings["severity"] == severity, "gauging_id"]))


def _suspect(gaugings: pd.DataFrame, findings: pd.DataFrame) -> list[str]:
    own = findings[(findings["severity"] == "suspect") & (findings["code"] != "meter-unfit")]
    return sorted(set(own["gauging_id"]) & set(gaugings["gauging_id"]))


def _unfit(gaugings: pd.DataFrame, findings: pd.DataFrame) -> list[str]:
    return sorted(set(findings.loc[findings["code"] == "meter-unfit", "gauging_id"]) & set(gaugings["gauging_id"]))


def _candidates(archive: Archive, gaugings: pd.DataFrame, as_of: Any) -> list[str]:
    """Name gaugings of which a newer revision waits."""
    if gaugings.empty:
        return []
    rows = archive.at(as_of).read("gaugings", sites=sorted(gaugings["site"].unique()))
    rows = newest_rows(rows)
    waiting = rows[rows["candidate"].fillna(False).astype("bool") & (rows["status"] == "provisional")]
    return sorted(set(waiting["gauging_id"]) & set(gaugings["gauging_id"]))


def _missing(gaugings: pd.DataFrame, column: str) -> list[str]:
    return sorted(gaugings.loc[gaugings[column].isna(), "gauging_id"])


def _meters(archive: Archive, gaugings: pd.DataFrame, as_of: Any, site: str | None) -> list[str]:
    checks = archive.at(as_of).standing("checks").sort_values("checked_at", kind="stable")
    newest = checks.drop_duplicates("instrument", keep="last")
    unfit = newest[newest["verdict"] == "unfit"]
    if site is not None:
        unfit = unfit[unfit["instrument"].isin(set(gaugings["instrument"].dropna()))]
    return [
        f"{i} ({day(t)}: {r})"
        for i, t, r in zip(unfit["instrument"], unfit["checked_at"], unfit["reasons"], strict=True)
    ]


def _silent(archive: Archive, gaugings: pd.DataFrame, as_of: Any) -> list[str]:
    return sorted(set(archive.at(as_of).standing("sites")["site"]) - set(gaugings["site"]))
