"""Findings and results in sentences, for people."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import pandas as pd

from stillwell.assessment.check_table import OF_SEASON
from stillwell.hydrometry.gauging.uncertainty_in_use import COMPUTED
from stillwell.number_words import within
from stillwell.pages.formats import first_record, records
from stillwell.reading.printed.show import GRAVITY
from stillwell.reading.printed.text import significant
from stillwell.schemas.words import WITHIN_PCT

MOST_ALIKE = 60
"""Findings of one code written out one by one."""
MEANINGS = {
    "unusable": "the number is kept, but stays out of ratings until a review includes it",
    "suspect": "the number may be wrong; look at it before using it",
    "note": "worth knowing",
}
BEYOND = "the number may be wrong; this looks beyond the gauging and changes with what else is known"
_VERTICAL = re.compile(r"vertical (\d+)\b")


def most_severe_first(findings: pd.DataFrame) -> pd.DataFrame:
    """Order findings by severity, then code."""
    if findings.empty:
        return findings
    return (
        findings.assign(_g=findings["severity"].map(GRAVITY))
        .sort_values(["_g", "code"], kind="stable")
        .drop(columns="_g")
    )


def severest(findings: pd.DataFrame, by: str) -> dict[str, str]:
    """Return the greatest severity of the findings of each value of a column."""
    if findings.empty:
        return {}
    first = most_severe_first(findings).drop_duplicates(by)
    return dict(zip(first[by].astype("str"), first["severity"], strict=True))


def findings_by_code(findings: pd.DataFrame) -> list[dict[str, Any]]:
    """Group findings by code, the most severe first, each with its meaning and the source of its limit."""
    if findings.empty:
        return []
    out = []
    for code, rows in most_severe_first(findings).groupby("code", sort=False):
        one = first_record(rows)
        beyond = code in OF_SEASON and one["severity"] == "suspect"
        out.append(
            {
                "code": code,
                "severity": one["severity"],
                "meaning": BEYOND if beyond else MEANINGS.get(one["severity"], ""),
                "rows": records(rows.head(MOST_ALIKE)),
                "many": len(rows),
                "source": one["source"] if (rows["source"] == one["source"]).all() else None,
            }
        )
    return out


def counts_by_code(findings: pd.DataFrame) -> pd.DataFrame:
    """Count findings and the gaugings they are of by severity, the most severe first, and code."""
    if findings.empty:
        return pd.DataFrame(columns=["severity", "code", "findings", "gaugings"])
    counted = findings.groupby(["severity", "code"], as_index=False).agg(
        findings=("code", "size"), gaugings=("gauging_id", "nunique")
    )
    return most_severe_first(counted)


def suspect_verticals(findings: pd.DataFrame) -> dict[int, str]:
    """Return the suspect and unusable findings of each vertical, in words."""
    if findings.empty:
        return {}
    questioned = findings[findings["severity"] != "note"]
    out: dict[int, list[str]] = {}
    for key, message in zip(questioned["key"], questioned["message"], strict=True):
        match = _VERTICAL.match(str(key))
        if match:
            out.setdefault(int(match[1]), []).append(str(message))
    return {vertical: "; ".join(dict.fromkeys(messages)) for vertical, messages in out.items()}


def within_words(row: Mapping[str, Any]) -> str:
    """Say within which limit the standard uncertainty of a gauging lies, and what it is."""
    word = row["within_pct"]
    if word is None:
        return "No standard uncertainty in percent is known."
    limits = f"least of {', '.join(WITHIN_PCT[:-2])} and {WITHIN_PCT[-2]} %, else beyond"
    computed = [row[name] for name in COMPUTED if row[name] is not None]
    if not computed:
        return f"Standard uncertainty (k = 1) {within(word)}, by what was handed in with the result ({limits})."
    standard = significant(max(computed) / 2, 2)
    return f"Standard uncertainty (k = 1), the larger of both, {standard} %: {within(word)} ({limits})."


def result_sentence(row: Mapping[str, Any]) -> str:
    """Say how the discharge of a gauging came about, in one sentence."""
    flow = row["discharge_m3_s"]
    if flow is None:
        return "No discharge: what was handed in does not suffice to compute one."
    if row["method"] == "observed zero":
        return "No flow: somebody looked, and no water ran."
    made = "Computed from its points." if row["recomputable"] else "As handed in; it cannot be computed again."
    return f"{made} The sum runs upstream." if flow < 0 else made
