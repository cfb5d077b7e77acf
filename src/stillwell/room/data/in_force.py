"""What the office decided: the policy that holds, and the ratings of a site, cached."""

from __future__ import annotations

from importlib import resources

from stillwell.assessment.policy import Policy, policy_from
from stillwell.hydrometry.rating.resolver import Rated
from stillwell.reading.rating.in_force import archive_ratings
from stillwell.room.data.archive_view import View


def policy_of(view: View) -> Policy:
    """Return the policy that holds: the office's, or the one that ships with this version."""
    default = policy_from(resources.files("stillwell.assessment").joinpath("policy.toml").read_text(encoding="utf-8"))
    adopted = view.standing("policies")
    return policy_from(str(adopted["text"].iloc[-1]), default) if len(adopted) else default


def ratings_at(view: View, site: str) -> list[Rated]:
    """Return the ratings of a site in the order they hold, kept while nothing is committed."""
    found: list[Rated] = view.memo(("ratings", site), lambda: archive_ratings(view.archive, site, policy_of(view)))
    return found
