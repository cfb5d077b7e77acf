"""The numbers of a batch: computed, assessed, judged, and laid out as rows of the archive's tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from stillwell.assessment.assess import assess
from stillwell.assessment.check_table import CHECKS
from stillwell.assessment.evidence import Evidence
from stillwell.assessment.policy import Policy
from stillwell.hydrometry.gauging.compute import Computed, compute
from stillwell.hydrometry.gauging.uncertainty_in_use import within_pct
from stillwell.prepare.batch import HANDED_IN, Batch, Ints
from stillwell.prepare.context import CommitContext


@dataclass(frozen=True)
class Surroundings:
    """What a batch is computed and assessed with: registers and records as they stand with this commit."""

    heights: pd.DataFrame
    calibrations: pd.DataFrame
    sites: pd.DataFrame
    instruments: pd.DataFrame
    history: pd.DataFrame
    """Gaugings that stood at the sites concerned."""
    ties: pd.DataFrame
    """Checks before and after each gauging of the batch."""
    world: Ints | None = None
    """Where gaugings of several commits are computed side by side, which one each is of; heights and history are those
    of all commits, with codes kept ``apart``."""

    def of(self, gaugings: pd.DataFrame, mine: Ints) -> Surroundings:
        """Select the surroundings of some gaugings of the batch."""
        at_sites = self.heights["site"].isin(gaugings["site"].iloc[mine].unique()).to_numpy()
        return replace(
            self,
            heights=self.heights[at_sites].reset_index(drop=True),
            ties=self.ties.iloc[mine].reset_index(drop=True),
        )


APART = ("site", "gauging_id", "instrument", "party", "points_digest")
"""Codes by which gaugings are compared with others."""
_BETWEEN = "|"


def apart(rows: pd.DataFrame, world: Ints | None, names: Sequence[str] = APART) -> pd.DataFrame:
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


OWN = tuple(check for check in CHECKS if not check.season)
SEASON = tuple(check for check in CHECKS if check.season)


@dataclass(frozen=True)
class ComputedPart:
    """The rows that a part of a batch comes to, by archive table."""

    sites: tuple[str, ...]
    """Every gauging that the batch has at these; none where the findings rest on all parts."""
    places: Ints
    """Numbers of its gaugings in the batch."""
    tables: dict[str, pd.DataFrame]
    only: bool
    """Whether there is no other part, so that nothing is gained by writing its rows out at once."""

    @property
    def for_buffer(self) -> bool:
        """Whether its large tables hold all rows of their sites and are to be written out before the next part."""
        return bool(self.sites) and not self.only


def computed_parts(
    batch: Batch,
    surroundings: Surroundings,
    context: CommitContext,
    parts: Sequence[Ints] | None = None,
    part_of: Callable[[Ints], Batch] | None = None,
) -> Iterator[ComputedPart]:
    """Compute and assess a batch, part by part; the checks that look beyond a gauging follow, over all parts.

    Parameters
    ----------
    batch : Batch
        With the columns of ``batch.DECIDED``.
    surroundings : Surroundings
    context : CommitContext
    parts : sequence of int array, optional
        As of ``batch.site_parts``; one part without.
    part_of : callable, optional
        Reads a part with its points, where the batch itself holds none; the batch's own ``part`` without.

    Yields
    ------
    ComputedPart
        Rows of ``gaugings``, ``verticals``, ``points``, ``samples``, ``findings`` and ``uncertainty_budget``; the last
        one has no sites and only ``findings``. A consumer may empty ``tables`` before it asks for the next.
    """
    parts = [np.arange(len(batch.gaugings))] if parts is None else parts
    only, results = len(parts) == 1, []
    for places in parts:
        some = part_of(places) if part_of else batch if only else batch.part(places)
        part_results, tables = _computed(
            some, surroundings if only else surroundings.of(batch.gaugings, places), context
        )
        results.append(part_results)
        del some  # released before the points of the next part are read
        sites = sorted(batch.gaugings["site"].iloc[places].unique())
        yield ComputedPart(tuple(sites), places, tables, only)
        del tables
    order = np.concatenate(parts)
    gaugings = batch.gaugings.iloc[order].reset_index(drop=True)
    tied = replace(surroundings, ties=surroundings.ties.iloc[order].reset_index(drop=True))
    evidence = _evidence(apart(gaugings, tied.world), pd.concat(results, ignore_index=True), tied, context.policy)
    tables = {"findings": owned(assess(evidence, SEASON), gaugings[list(OWNER)])}
    yield ComputedPart((), order[:0], tables, only)


def joined(parts: Sequence[Mapping[str, pd.DataFrame]]) -> dict[str, pd.DataFrame]:
    """Concatenate the rows of parts by table."""
    names = dict.fromkeys(name for part in parts for name in part)
    frames = {name: [part[name] for part in parts if name in part] for name in names}
    return {name: rows[0] if len(rows) == 1 else pd.concat(rows, ignore_index=True) for name, rows in frames.items()}


def _computed(
    batch: Batch, surroundings: Surroundings, context: CommitContext
) -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """Compute a part and judge each gauging by itself; return the results and the rows."""
    policy = context.policy
    gaugings = apart(batch.gaugings, surroundings.world, ("site",))
    made = compute(gaugings, batch.points, surroundings.heights, surroundings.calibrations, policy.settings())
    details = {"verticals": made.verticals, "points": made.points, "readings": made.readings}
    findings = assess(_evidence(batch.gaugings, made.results, surroundings, policy, **details), OWN)
    return made.results, _rows(batch, made, findings, surroundings, context)


def _evidence(
    gaugings: pd.DataFrame, results: pd.DataFrame, surroundings: Surroundings, policy: Policy, **details: pd.DataFrame
) -> Evidence:
    return Evidence(
        gaugings=gaugings,
        results=results,
        policy=policy,
        sites=surroundings.sites,
        instruments=surroundings.instruments,
        history=surroundings.history,
        ties=surroundings.ties,
        **details,
    )


def _rows(
    batch: Batch,
    made: Computed,
    findings: pd.DataFrame,
    surroundings: Surroundings,
    context: CommitContext,
) -> dict[str, pd.DataFrame]:
    header = batch.gaugings.rename(columns={"gauging": "label", "reason": "revision_reason"} | HANDED_IN)
    header = header.drop(columns=[c for c in made.results.columns if c in header.columns])
    gaugings = pd.concat([header, made.results], axis=1)
    gaugings = gaugings.assign(
        within_pct=within_pct(gaugings),
        check_before=surroundings.ties["check_before"],
        check_after=surroundings.ties["check_after"],
        status="provisional",
        software_version=context.software_version,
        policy_digest=context.policy_digest,
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
