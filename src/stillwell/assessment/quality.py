"""One word for a gauging: how sure its result is, lowered by what is doubtful about it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from schemas.words import FIELD_QUALITIES
from stillwell.assessment.checks import CHECKS
from stillwell.assessment.evidence import numbers
from stillwell.assessment.policy import Policy
from stillwell.hydrometry.gauging_uncertainty import standard_pct

OF_SEASON = frozenset(check.code for check in CHECKS if check.season)
"""Findings that look beyond the gauging do not lower its quality: they come and go with what else is known."""


def quality(gaugings: pd.DataFrame, results: pd.DataFrame, findings: pd.DataFrame, policy: Policy) -> pd.Series:
    """Judge gaugings.

    The larger of both standard uncertainties (k = 1, percent) within the policy's thresholds gives the word; a
    suspect finding lowers it by one, an unusable one to the last.

    Parameters
    ----------
    gaugings : DataFrame
        As handed in; ``uncertainty_pct`` and ``uncertainty_level`` serve where there are no points.
    results : DataFrame
        ``uncertainty_table_pct`` and ``uncertainty_scatter_pct``, expanded (k = 2).
    findings : DataFrame
        With ``g``, ``code`` and ``severity``.
    policy : Policy

    Returns
    -------
    Series of str
        Missing where no uncertainty in percent is known, as at zero flow.
    """
    expanded = np.fmax(numbers(results["uncertainty_table_pct"]), numbers(results["uncertainty_scatter_pct"]))
    standard = standard_pct(expanded, numbers(gaugings["uncertainty_pct"]), numbers(gaugings["uncertainty_level"]))
    known = ~np.isnan(standard)
    word = np.searchsorted(policy.values("quality_thresholds_pct"), np.nan_to_num(standard), side="left")
    own = findings[~findings["code"].isin(OF_SEASON)]
    for severity, steps in (("suspect", 1), ("unusable", len(FIELD_QUALITIES))):
        g = own.loc[own["severity"] == severity, "g"].unique()
        word[g] += steps
    word = np.minimum(word, len(FIELD_QUALITIES) - 1)
    words = pd.Series(np.array(FIELD_QUALITIES, dtype=object)[word], dtype="str")
    return words.where(pd.Series(known))
