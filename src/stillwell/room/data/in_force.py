"""What the office decided: the policy that holds, and the ratings of a site, cached."""

from __future__ import annotations

from stillwell.assessment.policy import Policy
from stillwell.hydrometry.rating.resolver import Rated
from stillwell.reading.policy import policy_by
from stillwell.reading.rating.in_force import archive_ratings
from stillwell.room.data.archive_view import View


def policy_of(view: View) -> Policy:
    """Return the policy that holds: the office's, or the one that ships with this version."""
    return policy_by(view.standing("policies"))


def ratings_at(view: View, site: str) -> list[Rated]:
    """Return the ratings of a site in the order they hold, kept while nothing is committed."""
    found: list[Rated] = view.memo(("ratings", site), lambda: archive_ratings(view.archive, site, policy_of(view)))
    return found
