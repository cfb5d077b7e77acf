"""The numbers of a batch: computed, assessed, judged, and laid out as rows of the archive's tables."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from stillwell.assessment.assess import assess
from stillwell.assessment.evidence import Evidence
from stillwell.assessment.policy import Policy
from stillwell.assessment.quality import quality
from stillwell.hydrometry.compute import Computed, compute
from stillwell.prepare.batch import HANDED_IN, Batch
from stillwell.prepare.view import Circumstances


@dataclass(frozen=True)
class Surroundings:
    """What a batch is computed and assessed beside: registers and records as they stand with this commit."""

    heights: pd.DataFrame
    calibrations: pd.DataFrame
    sites: pd.DataFrame
    instruments: pd.DataFrame
    history: pd.DataFrame
    """Gaugings that stood at the sites concerned."""
    ties: pd.DataFrame
    """Checks before and after each gauging of the batch."""


def figures(batch: Batch, beside: Surroundings, circumstances: Circumstances) -> dict[str, pd.DataFrame]:
    """Compute and assess a batch.

    Parameters
    ----------
    batch : Batch
        With the columns of ``batch.DECIDED``.
    beside : Surroundings
    circumstances : Circumstances

    Returns
    -------
    dict of str to DataFrame
        Rows of ``gaugings``, ``verticals``, ``points``, ``findings`` and ``uncertainty_budget``.
    """
    policy = circumstances.policy
    made = compute(batch.gaugings, batch.points, beside.heights, beside.calibrations, policy.settings())
    findings = _findings(batch, made, beside, policy)
    words = quality(batch.gaugings, made.results, findings, policy)
    return _rows(batch, made, findings, words, beside, circumstances)


def _findings(batch: Batch, made: Computed, beside: Surroundings, policy: Policy) -> pd.DataFrame:
    return assess(
        Evidence(
            gaugings=batch.gaugings,
            results=made.results,
            verticals=made.verticals,
            points=made.points,
            readings=made.readings,
            policy=policy,
            sites=beside.sites,
            instruments=beside.instruments,
            history=beside.history,
            ties=beside.ties,
        )
    )


def _rows(
    batch: Batch,
    made: Computed,
    findings: pd.DataFrame,
    words: pd.Series,
    beside: Surroundings,
    circumstances: Circumstances,
) -> dict[str, pd.DataFrame]:
    header = batch.gaugings.rename(columns={"gauging": "label", "reason": "revision_reason"} | HANDED_IN)
    header = header.drop(columns=[c for c in made.results.columns if c in header.columns])
    gaugings = pd.concat([header, made.results], axis=1).assign(
        quality=words,
        check_before=beside.ties["check_before"],
        check_after=beside.ties["check_after"],
        status="provisional",
        software_version=circumstances.software_version,
        policy_digest=circumstances.policy_digest,
    )
    owner = batch.gaugings[["gauging_id", "site", "revision", "deposit"]]
    points = made.points.assign(point_depth_m=_point_depths(made.points))
    trail = made.points[["row_file", "row_line"]].iloc[made.verticals["point"].to_numpy()].reset_index(drop=True)
    verticals = made.verticals.assign(row_file=trail["row_file"], row_line=trail["row_line"])
    budget = made.budget.assign(row_file=batch.gaugings["row_file"].iloc[made.budget["g"]].to_numpy())
    budget = budget.assign(row_line=batch.gaugings["row_line"].iloc[made.budget["g"]].to_numpy())
    details = {
        "verticals": verticals,
        "points": points,
        "samples": batch.samples,
        "findings": findings,
        "uncertainty_budget": budget,
    }
    return {"gaugings": gaugings} | {name: owned(part, owner) for name, part in details.items()}


def owned(rows: pd.DataFrame, owner: pd.DataFrame) -> pd.DataFrame:
    """Give rows with ``g`` the columns of the gauging they belong to."""
    mine = owner.iloc[rows["g"].to_numpy()].reset_index(drop=True)
    return rows.reset_index(drop=True).assign(**{name: mine[name] for name in owner.columns})


def _point_depths(points: pd.DataFrame) -> pd.Series:
    """Depth of each point below the water surface: under ice, counted from its underside."""
    underside = points["ice_underside_m"].where(points["kind"] == "ice", 0.0)
    return underside + points["relative_depth"] * (points["depth_m"] - underside)
