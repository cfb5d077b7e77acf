"""The numbers of a batch: computed, assessed, judged, and laid out as rows of the archive's tables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.assessment.assess import assess
from stillwell.assessment.checks import CHECKS
from stillwell.assessment.evidence import Evidence
from stillwell.assessment.policy import Policy
from stillwell.hydrometry.gauging.compute import Computed, compute
from stillwell.hydrometry.gauging.uncertainty_in_use import within_pct
from stillwell.prepare.batch import HANDED_IN, Batch
from stillwell.prepare.context import Circumstances


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
    world: NDArray[np.int64] | None = None
    """Where gaugings of several commits are computed side by side, which one each is of; heights and history are those
    of all commits, with codes kept ``apart``."""

    def of(self, gaugings: pd.DataFrame, mine: NDArray[np.int64]) -> Surroundings:
        """Take what lies beside some gaugings of the batch."""
        here = self.heights["site"].isin(gaugings["site"].iloc[mine].unique()).to_numpy()
        return replace(
            self, heights=self.heights[here].reset_index(drop=True), ties=self.ties.iloc[mine].reset_index(drop=True)
        )


APART = ("site", "gauging_id", "instrument", "party", "points_digest")
"""Codes by which gaugings are compared with others."""
_BETWEEN = "|"


def apart(rows: pd.DataFrame, world: NDArray[np.int64] | None, names: Sequence[str] = APART) -> pd.DataFrame:
    """Put the number of its world before the codes in some columns, so that two worlds share none; blanks stay."""
    if world is None:
        return rows
    before = pd.Series(world, index=rows.index).astype("str") + _BETWEEN
    blank = {name: rows[name].isna() | (rows[name] == "") for name in names}
    return rows.assign(**{name: rows[name].where(blank[name], before + rows[name]) for name in names})


def joined_again(rows: pd.DataFrame, names: Sequence[str] = APART) -> pd.DataFrame:
    """Take the numbers off again that ``apart`` put before codes."""
    return rows.assign(**{name: rows[name].str.partition(_BETWEEN)[2] for name in names})


OWNER = ("gauging_id", "site", "revision", "deposit")
"""Columns that every row of a gauging has."""


Lots = Sequence[NDArray[np.int64]]
"""Numbers of the gaugings of each lot; a lot is of whole sites."""
Made = Callable[[NDArray[np.int64], dict[str, pd.DataFrame]], dict[str, pd.DataFrame]]
"""Given a lot and the rows made of it, returns those to be held until all lots are made."""

OWN = tuple(check for check in CHECKS if not check.season)
SEASON = tuple(check for check in CHECKS if check.season)


def figures(
    batch: Batch,
    beside: Surroundings,
    circumstances: Circumstances,
    parts: Lots | None = None,
    made: Made | None = None,
    part_of: Callable[[NDArray[np.int64]], Batch] | None = None,
) -> dict[str, pd.DataFrame]:
    """Compute and assess a batch, lot by lot; what looks beyond a gauging looks at all lots.

    Parameters
    ----------
    batch : Batch
        With the columns of ``batch.DECIDED``.
    beside : Surroundings
    circumstances : Circumstances
    parts : Lots, optional
        See ``batch.lots``; one lot without.
    made : Made, optional
        Takes the rows that each lot makes; ``gaugings`` must be among those it returns.
    part_of : callable, optional
        Returns a lot with its points, where those of the batch are not at hand; the batch's own ``part`` without.

    Returns
    -------
    dict of str to DataFrame
        Rows of ``gaugings``, ``verticals``, ``points``, ``samples``, ``findings`` and ``uncertainty_budget``, or what
        ``made`` returned of them; ``findings`` of all gaugings of the batch where they look beyond it.
    """
    parts = [np.arange(len(batch.gaugings))] if parts is None else parts
    held: list[dict[str, pd.DataFrame]] = []
    results: list[pd.DataFrame] = []
    for mine in parts:
        if len(parts) == 1 and part_of is None:
            one = _lot(batch, beside, circumstances)
        else:
            one = _lot((part_of or batch.part)(mine), beside.of(batch.gaugings, mine), circumstances)
        results.append(one.results)
        held.append(made(mine, one.tables) if made else one.tables)
        del one  # its points are let go of before the next are read
    tables = {name: _joined([rows[name] for rows in held]) for name in held[0]}
    order = np.concatenate(parts)
    gaugings = batch.gaugings.iloc[order].reset_index(drop=True)
    tied = replace(beside, ties=beside.ties.iloc[order].reset_index(drop=True))
    season = _season(gaugings, _joined(results), tied, circumstances.policy)
    tables["findings"] = _joined([tables["findings"], owned(season, gaugings[list(OWNER)])])
    return tables


def _joined(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)


@dataclass(frozen=True)
class _Lot:
    results: pd.DataFrame
    tables: dict[str, pd.DataFrame]


def _lot(batch: Batch, beside: Surroundings, circumstances: Circumstances) -> _Lot:
    """Compute a lot and judge each gauging by itself."""
    policy = circumstances.policy
    gaugings = apart(batch.gaugings, beside.world, ("site",))
    made = compute(gaugings, batch.points, beside.heights, beside.calibrations, policy.settings())
    findings = assess(_evidence(batch.gaugings, made, beside, policy), OWN)
    return _Lot(made.results, _rows(batch, made, findings, beside, circumstances))


def _season(gaugings: pd.DataFrame, results: pd.DataFrame, beside: Surroundings, policy: Policy) -> pd.DataFrame:
    """Judge gaugings by others and by the checks of their meters."""
    nothing = pd.DataFrame()
    gaugings = apart(gaugings, beside.world)
    return assess(_evidence(gaugings, Computed(nothing, results, nothing, nothing, nothing), beside, policy), SEASON)


def _evidence(gaugings: pd.DataFrame, made: Computed, beside: Surroundings, policy: Policy) -> Evidence:
    return Evidence(
        gaugings=gaugings,
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


def _rows(
    batch: Batch,
    made: Computed,
    findings: pd.DataFrame,
    beside: Surroundings,
    circumstances: Circumstances,
) -> dict[str, pd.DataFrame]:
    header = batch.gaugings.rename(columns={"gauging": "label", "reason": "revision_reason"} | HANDED_IN)
    header = header.drop(columns=[c for c in made.results.columns if c in header.columns])
    gaugings = pd.concat([header, made.results], axis=1)
    gaugings = gaugings.assign(
        within_pct=within_pct(gaugings),
        check_before=beside.ties["check_before"],
        check_after=beside.ties["check_after"],
        status="provisional",
        software_version=circumstances.software_version,
        policy_digest=circumstances.policy_digest,
    )
    owner = batch.gaugings[list(OWNER)]
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
