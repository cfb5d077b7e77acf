"""The ratings of a site as pages show them, and the policy they are judged by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillwell.assessment.policy import Policy
from stillwell.drawing.rating import Line
from stillwell.hydrometry.rating.which_rating_holds import Rated
from stillwell.pages.data.archive_view import View
from stillwell.reading.policy import PolicyShown, policy_shown
from stillwell.reading.rating.site_ratings import archive_ratings

Floats = NDArray[np.float64]

STAGES = 160
"""Stages a rating is drawn at, evenly, and as many by ratio."""
LEAST_HEAD = 1e-3
"""Share of the greatest head drawn at which stages by ratio begin."""
EXPANDED = 2.0
"""Coverage factor of an expanded uncertainty, about 95 %."""
FURTHER = 0.15
"""Share of the greatest head a rating is drawn above it."""


def policy_for_pages(view: View, digest: str | None = None) -> PolicyShown:
    """Return the policy of a digest, or without one that which holds; see ``reading.policy.policy_shown``."""
    shown: PolicyShown = view.memo(("policy", digest), lambda: policy_shown(view.archive, digest))
    return shown


def policy_of(view: View) -> Policy:
    """Return the policy that holds: the office's, or the one that ships with this version."""
    return policy_for_pages(view).policy


def ratings_at(view: View, site: str) -> list[Rated]:
    """Return the ratings of a site in the order they hold."""
    ratings: list[Rated] = view.memo(("ratings", site), lambda: archive_ratings(view.archive, site, policy_of(view)))
    return ratings


@dataclass(frozen=True)
class Shown:
    """A rating as a page shows it: the rating, its line to draw, and the stages gauged, m."""

    rated: Rated
    line: Line
    gauged: tuple[float, float] | None
    office_pct: float | None = None
    """Expanded uncertainty the office gives a rating that came without its own, in percent; None where it has one."""

    @property
    def zero_m(self) -> float:
        """Stage of zero flow, m."""
        return self.rated.force.curve.zero_flow_m


def shown_rating(rated: Rated, gauged_m: Floats, policy: Policy) -> Shown:
    """Lay out a rating for drawing, with the interval the record derived from it has too.

    Parameters
    ----------
    rated : Rated
    gauged_m : float array
        Stages of the site's gaugings, m.
    policy : Policy
        Gives the uncertainty of a rating that came without its own.
    """
    force, known = rated.force, gauged_m[np.isfinite(gauged_m)]
    gauged = None
    if np.isfinite(force.lowest_m) and np.isfinite(force.highest_m):
        gauged = (force.lowest_m, force.highest_m)
    elif known.size:
        gauged = (float(known.min()), float(known.max()))
    office_pct = None if rated.fitted else EXPANDED * policy.value("rating_uncertainty_pct")
    return Shown(rated, _line(rated, gauged, known), gauged, office_pct)


def _line(rated: Rated, gauged: tuple[float, float] | None, known: Floats) -> Line:
    """Lay a rating out from its stage of zero flow to somewhat above what was gauged.

    Half of its stages lie evenly, half by equal ratios of the head, so that it is smooth on plain and on log axes.
    """
    curve = rated.force.curve
    low = curve.zero_flow_m
    tops = [*known.tolist(), *(gauged or ()), curve.support_m[1]]
    head = (1 + FURTHER) * max(max(tops) - low, 0.1)
    marks = [stage for stage in gauged or () if low < stage < low + head]
    heads = np.r_[np.linspace(0.0, head, STAGES), np.geomspace(LEAST_HEAD * head, head, STAGES)]
    stage = np.unique(np.r_[low + heads, marks])
    beyond = np.ones(stage.size, dtype=bool) if gauged is None else (stage < gauged[0]) | (stage > gauged[1])
    q, part = curve.discharge(stage), EXPANDED * rated.force.uncertainty(stage)
    return Line(stage, q, beyond, q * np.maximum(1 - part, 0.0), q * (1 + part), rated.name)
