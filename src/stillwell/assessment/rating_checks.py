"""Checks of a rating itself: findings of fits and of adopted ratings, never of a gauging."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stillwell.assessment.policy import Policy
from stillwell.hydrometry.rating.rating import Rating

MOST_NAMED = 5
"""Gaugings named in one finding."""


@dataclass(frozen=True)
class RatingFinding:
    """One finding of a rating, with the limit it goes by and where that comes from."""

    code: str
    severity: str
    message: str
    limit: str
    source: str


def rating_findings(
    rating: Rating, gaugings: pd.DataFrame | None, at_bound: Sequence[str], policy: Policy
) -> tuple[RatingFinding, ...]:
    """Compare a rating with the office's limits.

    Parameters
    ----------
    rating : Rating
    gaugings : DataFrame, optional
        The gaugings with flow it was fitted to: ``gauging_id``, ``stage_m``, ``departure_pct`` and ``visit_share`` (1
        over the gaugings of the visit). Without them departures and numbers of gaugings are not checked.
    at_bound : sequence of str
        Numbers a fit left on their bound.
    policy : Policy

    Returns
    -------
    tuple of RatingFinding
        At most one of each code.
    """
    findings = [_exponents(rating, policy)]
    if gaugings is not None and len(gaugings):
        findings += [_departures(gaugings, policy), _few(rating, gaugings, policy)]
    return tuple(one for one in (*findings, _bound(at_bound)) if one is not None)


def _finding(code: str, message: str, limit: str, policy: Policy) -> RatingFinding:
    return RatingFinding(code, "suspect", message, limit, policy.limits[limit].source)


def _exponents(rating: Rating, policy: Policy) -> RatingFinding | None:
    name = "rating_exponent_range"
    least, most = policy.values(name)
    outside = np.flatnonzero((rating.exponent < least) | (rating.exponent > most))
    if not outside.size:
        return None
    named = ", ".join(f"{rating.exponent[i]:.2f} in segment {i + 1}" for i in outside)
    return _finding("rating-exponent", f"exponent {named}; {least:g} to {most:g} is usual", name, policy)


def _departures(gaugings: pd.DataFrame, policy: Policy) -> RatingFinding | None:
    name = "rating_departure_pct"
    most = policy.value(name)
    ordered = gaugings.sort_values("departure_pct", key=abs, ascending=False, kind="stable")
    far = ordered[ordered["departure_pct"].abs() > most]
    if far.empty:
        return None
    head = far.head(MOST_NAMED)
    named = ", ".join(f"{g} {d:+.0f} %" for g, d in zip(head["gauging_id"], head["departure_pct"], strict=True))
    more = ", ..." if len(far) > MOST_NAMED else ""
    message = f"{len(far)} of {len(gaugings)} gaugings depart from it by more than {most:g} %: {named}{more}"
    return _finding("rating-departure", message, name, policy)


def _few(rating: Rating, gaugings: pd.DataFrame, policy: Policy) -> RatingFinding | None:
    name = "rating_segment_fewest"
    fewest = policy.value(name)
    segment = rating.segment(gaugings["stage_m"].to_numpy(dtype="float64"))
    share = gaugings["visit_share"].to_numpy(dtype="float64")
    count = np.bincount(segment, weights=share, minlength=rating.exponent.size)
    thin = np.flatnonzero(count < fewest - 1e-6)
    if not thin.size:
        return None
    named = ", ".join(f"segment {i + 1} rests on {count[i]:.3g}" for i in thin)
    return _finding("rating-few", f"{named} gaugings (a visit counted once); {fewest:g} are wanted", name, policy)


def _bound(names: Sequence[str]) -> RatingFinding | None:
    if not names:
        return None
    message = f"{' and '.join(names)} lies at the end of where it was sought, so how sure the rating is cannot be said"
    return RatingFinding("rating-at-bound", "suspect", message, "", "follows from the fit (derived)")


def no_limits(at_bound: Sequence[str]) -> str:
    """Explain why a fit has no limits; empty where it has."""
    if not at_bound:
        return ""
    return (
        f"no limits are given: {' and '.join(at_bound)} lies at the end of where it was sought, and limits that take it"
        " as known would be too narrow; gauge lower, give the stage of zero flow, or state beliefs about the controls"
    )
