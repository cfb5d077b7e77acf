"""The office policy in force: the office's own where there is one, over the one that ships with this version."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.assessment.policy import Policy, policy_from
from stillwell.errors import ArchiveError, PolicyError
from stillwell.fingerprint import sha256


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


@dataclass(frozen=True)
class InForce:
    """A policy, its origin in words, and whether it is the one asked for."""

    policy: Policy
    origin: str

    def limit(self, name: str) -> float:
        """Return a limit that is one number."""
        return self.policy.value(name)

    def source(self, name: str) -> str:
        """Say where a limit comes from."""
        return self.policy.limits[name].source


def policy_of(archive: Archive, digest: str | None = None, as_of: Any = None) -> InForce:
    """Find the policy of a digest, or without one that which holds.

    Parameters
    ----------
    archive : Archive
    digest : str, optional
        sha256 of the policy's text.
    as_of : datetime, optional

    Returns
    -------
    InForce
        The policy this version ships with where the archive holds none of that digest, and then says so.
    """
    shipped = default_policy_text()
    base = policy_from(shipped)
    kept = _kept(archive, digest, as_of)
    if kept is not None:
        try:
            return InForce(policy_from(kept, base), "the office's own policy, as handed in")
        except PolicyError:
            return InForce(
                base, "the policy this version ships with; the office's own is not one this version can read"
            )
    if digest is None or sha256(shipped.encode("utf-8")) == digest:
        return InForce(base, "the policy this version ships with")
    return InForce(base, "the policy this version ships with; the one that held is not in this archive")


def _kept(archive: Archive, digest: str | None, as_of: Any) -> str | None:
    try:
        rows = archive.read("policies") if digest is not None else archive.standing("policies", as_of=as_of)
    except ArchiveError:
        return None
    return text_in_force(rows if digest is None else rows[rows["policy_digest"] == digest])
