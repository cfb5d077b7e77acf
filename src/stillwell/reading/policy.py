"""The office policy in force: the office's own where there is one, over the one that ships with this version."""

from __future__ import annotations

from functools import cache
from importlib import resources

import pandas as pd

from stillwell.assessment.policy import Policy, policy_from


@cache
def default_policy_text() -> str:
    """Read the policy that ships with this version."""
    return resources.files("stillwell.assessment").joinpath("policy.toml").read_text(encoding="utf-8")


def text_in_force(policies: pd.DataFrame) -> str | None:
    """Return the text of the office's own policy from rows of ``policies`` that stand; None without any."""
    if policies.empty or pd.isna(policies["text"].iloc[-1]):
        return None
    return str(policies["text"].iloc[-1])


def policy_by(policies: pd.DataFrame) -> Policy:
    """Return the policy in force by rows of ``policies`` that stand; what it leaves open is as shipped.

    Raises
    ------
    PolicyError
        If this version cannot read the office's own.
    """
    shipped, text = policy_from(default_policy_text()), text_in_force(policies)
    return shipped if text is None else policy_from(text, shipped)
