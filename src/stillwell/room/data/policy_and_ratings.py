"""The policy that holds and the ratings of a site, cached with the view."""

from __future__ import annotations

from stillwell.assessment.policy import Policy
from stillwell.hydrometry.rating.which_rating_holds import Rated
from stillwell.reading.policy import policy_shown
from stillwell.reading.rating.site_ratings import archive_ratings
from stillwell.room.data.archive_view import View


def policy_of(view: View) -> Policy:
    """Return the policy that holds: the office's, or the one that ships with this version."""
    policy: Policy = view.memo("policy", lambda: policy_shown(view.archive).policy)
    return policy


def ratings_at(view: View, site: str) -> list[Rated]:
    """Return the ratings of a site in the order they hold."""
    ratings: list[Rated] = view.memo(("ratings", site), lambda: archive_ratings(view.archive, site, policy_of(view)))
    return ratings
