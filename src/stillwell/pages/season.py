"""The report of a season: what came in, what was returned and why, what needs a person."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pandas as pd

from stillwell.errors import QueryError
from stillwell.intake.problem_collector import ROW_LEFT_OUT
from stillwell.pages.attention import attention
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import records
from stillwell.pages.wording import counts_by_code
from stillwell.reading.printed.show import GRAVITY
from stillwell.reading.select.spans import Span, span_in, span_of
from stillwell.schemas.words import WITHIN_PCT

MOST = 400


def season_page(view: View, since: datetime, until: datetime) -> dict[str, Any]:
    """Return what the report of a season shows.

    Parameters
    ----------
    view : View
    since, until : datetime
        Gaugings started at or after the one and before the other are the season's; both with an offset from UTC.

    Raises
    ------
    QueryError
        If the season ends before it begins, or a moment lacks its offset.
    """
    if since.tzinfo is None or until.tzinfo is None or not since < until:
        msg = f"expected two moments with an offset from UTC, the first earlier; found {since} and {until}"
        raise QueryError(msg)
    span = span_of(since, until)
    every, gaugings = view.archive.read("gaugings"), view.standing("gaugings")
    within, gaugings = (rows[span.holds(rows["started_at"])] for rows in (every, gaugings))
    findings = view.standing("findings")
    findings = findings[findings["gauging_id"].isin(set(gaugings["gauging_id"]))]
    deposits = _deposits(view, within, span)
    returned = _returned(view, deposits)
    listed = gaugings.sort_values(["site", "started_at"], kind="stable").head(MOST)
    each = {word: findings.loc[findings["severity"] == word, "gauging_id"].value_counts() for word in GRAVITY}
    counts = {word: listed["gauging_id"].map(count).fillna(0).astype("int64") for word, count in each.items()}
    return {
        "since": since,
        "until": until,
        "deposits": records(deposits),
        "returned": returned,
        "reasons": sum(len(one["reasons"]) for one in returned),
        "gaugings": records(listed.assign(**counts)),
        "more": len(gaugings) - len(listed),
        "count": len(gaugings),
        "by_site": records(_by_site(gaugings)),
        "by_party": records(_by_party(gaugings)),
        "codes": records(counts_by_code(findings)),
        "attention": attention(view, gaugings, findings),
    }


def _deposits(view: View, within: pd.DataFrame, span: Span) -> pd.DataFrame:
    """List deposits from the first to the last commit with a gauging of the season, and those made in it."""
    rows = view.standing("deposits")
    recorded = within["recorded_at"]
    in_it = span.holds(rows["recorded_at"])
    return rows[rows["recorded_at"].between(recorded.min(), recorded.max()) | in_it].sort_values(
        ["commit", "name"], kind="stable"
    )


def _returned(view: View, deposits: pd.DataFrame) -> list[dict[str, Any]]:
    """Read why something of these deposits was returned, from the documents kept beside the tables."""
    out = []
    wanted = set(deposits.loc[deposits["problems"] > 0, "deposit"])
    for path in sorted(path for path in view.archive.listing() if path.startswith("returned/")):
        document = json.loads(view.archive.document(path))
        if document["deposit"] in wanted and document["reasons"]:
            reasons = [reason | {"about": _about(reason)} for reason in document["reasons"]]
            whole = {r["gauging"] for r in reasons if r["gauging"]}
            out.append(
                {"name": document["name"], "deposit": document["deposit"], "reasons": reasons, "gaugings": len(whole)}
            )
    return sorted(out, key=lambda one: str(one["name"]))


def _about(reason: Mapping[str, Any]) -> str:
    """Name what was returned for a reason: a gauging, a row by itself, or a file."""
    if reason["gauging"]:
        return str(reason["gauging"])
    return "row" if reason["consequence"] == ROW_LEFT_OUT else "whole file"


def _by_site(gaugings: pd.DataFrame) -> pd.DataFrame:
    groups = gaugings.groupby("site")
    out = groups.agg(
        gaugings=("gauging_id", "size"),
        first=("started_at", "min"),
        last=("started_at", "max"),
        least=("discharge_m3_s", "min"),
        most=("discharge_m3_s", "max"),
    )
    for word in ("approved", "provisional"):
        out[word] = (gaugings["status"] == word).groupby(gaugings["site"]).sum()
    return out.reset_index()


def _by_party(gaugings: pd.DataFrame) -> pd.DataFrame:
    groups = gaugings.assign(party=gaugings["party"].fillna("not given")).groupby("party")
    out = groups.agg(gaugings=("gauging_id", "size"), verticals=("verticals", "median"))
    words = pd.Categorical(gaugings["within_pct"].fillna(""), [*WITHIN_PCT, ""])
    within = pd.crosstab(gaugings["party"].fillna("not given"), words, dropna=False)
    out["within"] = within.reindex(out.index).to_numpy().tolist()
    return out.reset_index()


def season_of(text: str) -> tuple[datetime, datetime]:
    """Read a season written FROM/UNTIL; see ``spans.span_in``.

    Raises
    ------
    QueryError
        If it is not so written.
    """
    expected = f"expected a season as FROM/UNTIL, as in 2024-10-01/2025-10-01, found {text!r}"
    try:
        span = span_in(text, "season")
    except QueryError as error:
        msg = f"{expected}: {error}"
        raise QueryError(msg) from error
    if span.start is None or span.end is None or "/" not in text:
        raise QueryError(expected)
    return span.start.at.to_pydatetime(), span.end.at.to_pydatetime()
