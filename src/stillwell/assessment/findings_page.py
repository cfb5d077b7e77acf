"""The list of finding codes as a page, from the table of checks itself."""

from __future__ import annotations

import re

from stillwell.assessment.check_table import CHECKS
from stillwell.assessment.evidence import Check
from stillwell.assessment.policy import Policy

HEAD = """# Findings

Generated from `assessment/check_table.py` and the default policy by `make docs`. A finding never stops a gauging: it
travels with the number. *note* is worth knowing, *suspect* says that it may be wrong, *unusable* keeps the gauging out
of ratings until a review includes it. Where the work was in the water: nothing here says that wading is safe.

| code | severity | about | the finding | limit | source |
|---|---|---|---|---|---|
"""


def findings_document(policy: Policy) -> str:
    """Write every finding code with its sentence, limit and source.

    Parameters
    ----------
    policy : Policy
        Whose limits and sources are printed.

    Returns
    -------
    str
        Markdown.
    """
    return HEAD + "".join(_row(check, policy) for check in CHECKS)


def _row(check: Check, policy: Policy) -> str:
    sentence = re.sub(r"\{(\w+)[^}]*\}", r"*\1*", check.sentence)
    limit = policy.limits[check.limit] if check.limit else None
    value = "" if limit is None else f"`{check.limit}` = {limit.value}"
    source = check.source if limit is None else limit.source
    about = f"`{check.table}.{check.column}`"
    return f"| `{check.code}` | {check.severity} | {about} | {sentence} | {value} | {source} |\n"
