"""What the office decided: the policy that holds, and the ratings of a site with their shifts and how sure they are."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd

from stillwell.assessment.policy import Policy, policy_from
from stillwell.hydrometry.gauge_height import microseconds
from stillwell.hydrometry.in_force import RatingInForce
from stillwell.prepare.records import ratings_of as in_force_at
from stillwell.reading.rating import numbers_of, rated_discharge
from stillwell.room.rows import records
from stillwell.room.shelf import View


def policy_of(view: View) -> Policy:
    """Return the policy that holds: the office's, or the one that ships with this version."""
    default = policy_from(resources.files("stillwell.assessment").joinpath("policy.toml").read_text(encoding="utf-8"))
    adopted = view.standing("policies")
    return policy_from(str(adopted["text"].iloc[-1]), default) if len(adopted) else default


@dataclass(frozen=True)
class Rated:
    """A rating of a site: its row, the span it holds, its segments and shifts, and ``force`` to compute with."""

    name: str
    row: dict[str, Any]
    since: pd.Timestamp
    until: pd.Timestamp | None
    segments: list[dict[str, Any]]
    shifts: list[dict[str, Any]]
    force: RatingInForce

    def holds_at(self, times: pd.Series) -> pd.Series:
        """Say at which times it holds."""
        return (times >= self.since) & (times < self.until if self.until is not None else True)

    @property
    def fitted(self) -> bool:
        """Whether how sure it is came with it; else the office's policy says it."""
        return self.force.uncertainty.at.size > 1


def ratings_of(view: View, site: str) -> list[Rated]:
    """Read the ratings of a site in the order they hold."""
    if not {"ratings", "rating_segments", "shifts"} <= set(view.tables):
        return []
    rows = view.standing("ratings")
    mine = {row["rating"]: row for row in records(rows[rows["site"] == site])}
    if not mine:
        return []
    forces, names = in_force_at(view.archive, site, policy_of(view))
    segments, shifts = view.standing("rating_segments"), view.standing("shifts")
    starts = [pd.Timestamp(mine[name]["valid_from"]) for name in names]
    return [
        Rated(
            name,
            mine[name],
            since,
            until,
            records(segments[segments["rating"] == name].sort_values("from_m", kind="stable")),
            records(shifts[shifts["rating"] == name].sort_values(["from", "stage_m"], kind="stable")),
            force,
        )
        for name, since, until, force in zip(names, starts, [*starts[1:], None], forces, strict=True)
    ]


def ratings_at(view: View, site: str) -> list[Rated]:
    """Return the ratings of a site, kept while nothing is committed."""
    found: list[Rated] = view.memo(("ratings", site), lambda: ratings_of(view, site))
    return found


def departures(gaugings: pd.DataFrame, ratings: list[Rated]) -> pd.Series:
    """Say by how many percent each gauging lies above the rating in force at its start, moved by its shift.

    NaN where no rating held, the rating gives no flow, or gauge height or discharge are missing.
    """
    out = pd.Series(np.nan, index=gaugings.index)
    for rating in ratings:
        rows = gaugings[rating.holds_at(gaugings["started_at"])]
        if rows.empty:
            continue
        stage, q = numbers_of(rows, "gauge_height_m"), rated_discharge(rows)
        moved = rating.force.shifts
        shift = 0.0 if moved is None else moved.at(microseconds(rows["started_at"]), stage)[0]
        rated = rating.force.curve.discharge(stage + shift)
        out[rows.index] = 100 * (np.divide(q, rated, out=np.full(q.size, np.nan), where=rated > 0) - 1)
    return out
