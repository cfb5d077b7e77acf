"""The office policy in force: the office's own where there is one, over the one that ships with this version."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import AtCommit
from stillwell.assessment.policy import Policy, policy_from
from stillwell.errors import ArchiveError, PolicyError
from stillwell.fingerprint import sha256
from stillwell.shared_types import Understood


@cache
def default_policy_text() -> str:
    """Read the policy that ships with this version."""
    return resources.files("stillwell.assessment").joinpath("policy.toml").read_text(encoding="utf-8")


def text_in_force(policies: pd.DataFrame) -> str | None:
    """Return the text of the office's own policy from rows of ``policies`` that stand; None without any."""
    if policies.empty or pd.isna(policies["text"].iloc[-1]):
        return None
    return str(policies["text"].iloc[-1])


def policy_in_force(
    archive: AtCommit, understood: Understood | None, default: str, base: str = ""
) -> tuple[Policy, str, str]:
    """Find the policy that a commit goes by, its digest, and the digest of the one that held before.

    Parameters
    ----------
    archive : AtCommit
    understood : Understood, optional
        Deposits of the commit; a policy among them holds from this commit on.
    default : str
        Text of the policy that ships with the software; an office's own says only what differs.
    base : str
        Text of a later one, for limits that an earlier one did not know yet.

    Returns
    -------
    Policy, str, str

    Raises
    ------
    PolicyError
        If this version cannot read the office's own.
    """
    adopted = text_in_force(archive.standing("policies"))
    before = default if adopted is None else adopted
    handed_in = None if understood is None else text_in_force(understood.tables["policies"])
    text = before if handed_in is None else handed_in
    return _policy_of_text(text, default, base), sha256(text.encode("utf-8")), sha256(before.encode("utf-8"))


def _policy_of_text(text: str, default: str, base: str = "") -> Policy:
    shipped = policy_from(default, policy_from(base)) if base not in ("", default) else policy_from(default)
    return shipped if text == default else policy_from(text, shipped)


@dataclass(frozen=True)
class PolicyShown:
    """A policy as pages and reports show it: with its origin in words."""

    policy: Policy
    origin: str

    def limit(self, name: str) -> float:
        """Return a limit that is one number."""
        return self.policy.value(name)

    def source(self, name: str) -> str:
        """Say where a limit comes from."""
        return self.policy.limits[name].source


def policy_shown(archive: Archive, digest: str | None = None) -> PolicyShown:
    """Find the policy of a digest, or without one that which holds.

    Parameters
    ----------
    archive : Archive
    digest : str, optional
        sha256 of the policy's text.

    Returns
    -------
    PolicyShown
        The policy this version ships with where the archive holds none of that digest, or none that this version can
        read, and then says so.
    """
    shipped = default_policy_text()
    text = _text_of(archive, digest)
    if text is not None:
        try:
            return PolicyShown(_policy_of_text(text, shipped), "the office's own policy, as handed in")
        except PolicyError:
            why = "; the office's own is not one this version can read"
    else:
        known = digest is None or sha256(shipped.encode("utf-8")) == digest
        why = "" if known else "; the one that held is not in this archive"
    return PolicyShown(policy_from(shipped), f"the policy this version ships with{why}")


def _text_of(archive: Archive, digest: str | None) -> str | None:
    try:
        rows = archive.standing("policies") if digest is None else archive.read("policies")
    except ArchiveError:
        return None
    return text_in_force(rows if digest is None else rows[rows["policy_digest"] == digest])
