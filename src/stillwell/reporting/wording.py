"""Findings and results in sentences, for people."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

from stillwell.assessment.check_table import OF_SEASON
from stillwell.hydrometry.gauging.uncertainty_in_use import COMPUTED
from stillwell.number_words import within
from stillwell.reading.printed.show import GRAVITY
from stillwell.reporting.page import num
from stillwell.schemas.words import WITHIN_PCT

MOST_SENTENCES = 4
_VERTICAL = re.compile(r"vertical (\d+)\b")

MEANINGS = {
    "unusable": "the number is kept, but stays out of ratings until a review includes it",
    "suspect": "the number may be wrong; look at it before using it",
    "note": "worth knowing",
}
BEYOND = "the number may be wrong; this looks beyond the gauging and changes with what else is known"


def finding_groups(findings: pd.DataFrame) -> list[dict[str, Any]]:
    """Group findings by code, the most severe first; of many with one code the first are in full, the others by key.

    Parameters
    ----------
    findings : DataFrame
        Rows of ``findings``.

    Returns
    -------
    list of dict
        ``code``, ``severity``, ``meaning``, ``sentences``, ``rest`` (keys of the others), ``count``, ``source``.
    """
    ordered = findings.sort_values("severity", key=lambda s: s.map(GRAVITY), kind="stable")
    out = []
    for code in dict.fromkeys(ordered["code"]):
        rows = ordered[ordered["code"] == code]
        messages = [str(m) for m in rows["message"]]
        shown = len(rows) if len(rows) <= MOST_SENTENCES else MOST_SENTENCES - 1
        severity = str(rows["severity"].iloc[0])
        beyond = code in OF_SEASON and severity == "suspect"
        out.append(
            {
                "code": str(code),
                "severity": severity,
                "meaning": BEYOND if beyond else MEANINGS.get(severity, ""),
                "sentences": messages[:shown],
                "rest": [str(k) for k in rows["key"].iloc[shown:]],
                "count": len(rows),
                "source": str(rows["source"].iloc[0]),
            }
        )
    return out


def suspect_verticals(findings: pd.DataFrame) -> dict[int, str]:
    """Return the suspect and unusable findings of each vertical, in words."""
    questioned = findings[findings["severity"] != "note"]
    out: dict[int, list[str]] = {}
    for key, message in zip(questioned["key"], questioned["message"], strict=True):
        match = _VERTICAL.match(str(key))
        if match:
            out.setdefault(int(match[1]), []).append(str(message))
    return {vertical: "; ".join(dict.fromkeys(messages)) for vertical, messages in out.items()}


def within_words(row: pd.Series) -> str:
    """Say within which limit the standard uncertainty of a gauging lies, and what it is."""
    word = row["within_pct"]
    if pd.isna(word):
        return "No standard uncertainty in percent is known."
    limits = f"least of {', '.join(WITHIN_PCT[:-2])} and {WITHIN_PCT[-2]} %, else beyond"
    if all(pd.isna(row[name]) for name in COMPUTED):
        return f"Standard uncertainty (k = 1) {within(word)}, by what was handed in with the result ({limits})."
    standard = num(max(row[name] for name in COMPUTED if pd.notna(row[name])) / 2, 2)
    return f"Standard uncertainty (k = 1), the larger of both, {standard} %: {within(word)} ({limits})."


def result_sentence(row: pd.Series) -> str:
    """Say what was found, in one sentence."""
    flow = row["discharge_m3_s"]
    if pd.isna(flow):
        return "No discharge: what was handed in does not suffice to compute one."
    if row["method"] == "observed zero":
        return "No flow: somebody looked, and no water ran."
    made = "computed from its points" if bool(row["recomputable"]) else "as handed in; it cannot be computed again"
    against = " The sum runs upstream." if flow < 0 else ""
    return f"{num(flow)} m³/s, {made}.{against}"
