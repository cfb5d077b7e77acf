"""Findings of fitted and of adopted ratings, from the gaugings they rest on."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.assessment.policy import Policy
from stillwell.assessment.rating_checks import RatingFinding, rating_findings
from stillwell.hydrometry.rating.fit import RatingFit
from stillwell.hydrometry.rating.rating import Rating
from stillwell.hydrometry.rating.shift import departure
from stillwell.reading.rating.site_fit import Candidates, numbers_of, rated_discharge


def findings_of_fit(selected: Candidates, made: RatingFit, policy: Policy) -> tuple[RatingFinding, ...]:
    """Hold a fit against the office's limits, by the gaugings that took part."""
    rows = made.gaugings.assign(gauging_id=selected.rows["gauging_id"].to_numpy())
    flowing = rows["used"].to_numpy(dtype=bool) & (rows["discharge_m3_s"].to_numpy() > 0)
    return rating_findings(made.curve, rows[flowing], made.at_bound, policy)


def findings_of_rating(
    rating: Rating, named: object, gaugings: pd.DataFrame, policy: Policy
) -> tuple[RatingFinding, ...]:
    """Hold an adopted rating against the office's limits, by the gaugings it names.

    Parameters
    ----------
    rating : Rating
    named : object
        What its row says in ``gaugings``: ``archive id/revision``, joined by semicolons; missing where it names none.
    gaugings : DataFrame
        Rows of ``gaugings`` of its site that stand; a named one that was revised since is left out.
    policy : Policy

    Returns
    -------
    tuple of RatingFinding
    """
    if not isinstance(named, str) or gaugings.empty:
        return rating_findings(rating, None, (), policy)
    wanted = {part.strip() for part in named.split(";")}
    mine = gaugings["gauging_id"].astype("str") + "/" + gaugings["revision"].astype("str")
    rows = gaugings[mine.isin(wanted).to_numpy()]
    stage, flow = numbers_of(rows, "gauge_height_m"), rated_discharge(rows)
    visit = rows["visit"].astype("object").where(rows["visit"].notna(), rows["gauging_id"])
    gauged = pd.DataFrame(
        {
            "gauging_id": rows["gauging_id"].to_numpy(),
            "stage_m": stage,
            "departure_pct": departure(flow, rating.discharge(stage)),
            "visit": visit.to_numpy(),
        }
    )[np.isfinite(stage) & (flow > 0)]
    gauged = gauged.assign(visit_share=1 / gauged.groupby("visit")["visit"].transform("size"))
    return rating_findings(rating, gauged, (), policy)
