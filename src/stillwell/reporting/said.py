"""Findings and judgements in sentences, for people."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

from schemas.words import FIELD_QUALITIES
from stillwell.assessment.quality import OF_SEASON
from stillwell.reading.show import GRAVITY
from stillwell.reporting.limits import InForce
from stillwell.reporting.page import num

MOST_SENTENCES = 4
_VERTICAL = re.compile(r"vertical (\d+)\b")

MEANINGS = {
    "unusable": "the number is kept, but stays out of ratings until a review includes it",
    "suspect": "lowers the quality by one step",
    "note": "worth knowing",
}
BEYOND = "looks beyond the gauging, so it leaves the word of quality as it is"


def finding_groups(findings: pd.DataFrame) -> list[dict[str, Any]]:
    """Group findings by kind, the gravest first; of many of one kind the first are told and the rest named.

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


def doubted_verticals(findings: pd.DataFrame) -> dict[int, str]:
    """Say of each vertical what is suspect or unusable about it."""
    grave = findings[findings["severity"] != "note"]
    out: dict[int, list[str]] = {}
    for key, message in zip(grave["key"], grave["message"], strict=True):
        found = _VERTICAL.match(str(key))
        if found:
            out.setdefault(int(found[1]), []).append(str(message))
    return {vertical: "; ".join(dict.fromkeys(said)) for vertical, said in out.items()}


def quality_words(row: pd.Series, inforce: InForce) -> str:
    """Explain the quality of a gauging by what it follows from."""
    quality = row["quality"]
    percent = [row[c] for c in ("uncertainty_table_pct", "uncertainty_scatter_pct") if pd.notna(row[c])]
    if pd.isna(quality):
        return "No word of quality is given, since no uncertainty in percent is known."
    if not percent:
        return f"{str(quality).capitalize()}, from the uncertainty handed in with the result."
    standard = max(percent) / 2
    thresholds = inforce.policy.values("quality_thresholds_pct")
    place = next((i for i, most in enumerate(thresholds) if standard <= most), len(thresholds))
    by_size = FIELD_QUALITIES[min(place, len(FIELD_QUALITIES) - 1)]
    steps = ", ".join(f"{word} up to {most:g} %" for word, most in zip(FIELD_QUALITIES, thresholds, strict=False))
    said = f"The larger standard uncertainty (k = 1) is {num(standard, 2)} %: {by_size} by itself ({steps}, else poor)."
    if str(quality) != by_size:
        said += f" Findings lowered it to {quality}."
    return f"{str(quality).capitalize()}. {said} Thresholds: {inforce.source('quality_thresholds_pct')}."


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
