"""All checks over a batch: the rows each returns become findings with their sentences."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.assessment.check_table import CHECKS
from stillwell.assessment.evidence import Check, Evidence
from stillwell.assessment.policy import Policy

FINDING_COLUMNS = (
    "g", "code", "severity", "table", "key", "column", "value", "limit", "message", "source", "row_file", "row_line",
)  # fmt: skip


def assess(evidence: Evidence, checks: tuple[Check, ...] = CHECKS) -> pd.DataFrame:
    """Run every check over a batch.

    Parameters
    ----------
    evidence : Evidence
    checks : tuple of Check

    Returns
    -------
    DataFrame
        One row per finding, by gauging and in the order of the checks, with the columns of ``FINDING_COLUMNS``.
    """
    some = checks if len(evidence.gaugings) else ()
    parts = [worded(check, rows, evidence.policy) for check in some if len(rows := check.find(evidence))]
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=_dtype(name)) for name in FINDING_COLUMNS})
    findings = pd.concat(parts, ignore_index=True)
    return findings.iloc[np.argsort(findings["g"].to_numpy(), kind="stable")].reset_index(drop=True)


def worded(check: Check, rows: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Write the findings of one check.

    Parameters
    ----------
    check : Check
    rows : DataFrame
        What its ``find`` returned.
    policy : Policy

    Returns
    -------
    DataFrame
        With the columns of ``FINDING_COLUMNS``.
    """
    figures = zip(*(rows[name].tolist() for name in ("key", "value", "limit")), strict=True)
    messages = [check.sentence.format(key=key, value=value, limit=limit) for key, value, limit in figures]
    source = policy.limits[check.limit].source if check.limit else check.source
    return rows.assign(
        code=check.code,
        severity=check.severity,
        table=check.table,
        column=check.column,
        message=pd.Series(messages, dtype="str", index=rows.index),
        source=source,
    )[list(FINDING_COLUMNS)]


def _dtype(name: str) -> str:
    return {"g": "int64", "value": "float64", "limit": "float64", "row_line": "Int64"}.get(name, "str")
