"""The gaugings of a batch with everything that belongs to them, numbered by ``g``."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.at_commit import AtCommit
from stillwell.archive.batches.site_batches import site_batches
from stillwell.archive.ledger.moved_gaugings import sites_named
from stillwell.archive.revisions.identity import Kept, decide, digests, gauging_ids
from stillwell.hydrometry.gauging.results import HANDED_IN as RESULT
from stillwell.intake.problem_collector import problem_frame, problem_of
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.derive import columns
from stillwell.shared_types import Understood

Ints = NDArray[np.int64]

AT_ONCE = 2**18
"""Points computed and written out at a time, so that what is needed in between does not grow with a season."""

DECIDED = ("gauging_id", "revision", "candidate", "reason", "rows_digest", "points_digest")
"""Columns a batch has beside what was handed in."""

HANDED_IN = {name: f"handed_in_{name}" for name in (*RESULT, "uncertainty_pct", "uncertainty_level")}
"""What the archive calls a result as handed in, since its own stands under the plain name."""


@dataclass(frozen=True)
class Batch:
    """Gaugings, their points, and the readings of the gauge handed in for them."""

    gaugings: pd.DataFrame
    points: pd.DataFrame
    own_heights: pd.DataFrame
    samples: pd.DataFrame

    def part(self, mine: Ints) -> Batch:
        """Take some gaugings, numbered afresh in the order given, with what belongs to them."""
        fresh = np.full(len(self.gaugings), -1)
        fresh[mine] = np.arange(mine.size)
        gaugings = self.gaugings.iloc[mine].reset_index(drop=True)
        return Batch(gaugings, *(_renumbered(rows, fresh) for rows in (self.points, self.own_heights, self.samples)))


def _renumbered(rows: pd.DataFrame, fresh: Ints) -> pd.DataFrame:
    if "g" not in rows:
        return rows
    g = fresh[rows["g"].to_numpy()]
    return rows[g >= 0].assign(g=g[g >= 0]).reset_index(drop=True)


def site_parts(batch: Batch, most: int | None = None) -> list[Ints]:
    """Group the gaugings of a batch into parts of whole sites, so that one part is computed and written at a time.

    Parameters
    ----------
    batch : Batch
    most : int, optional
        Points and samples of a part, unless a site has more; ``AT_ONCE`` without.

    Returns
    -------
    list of int array
        Numbers of gaugings, in the order of the batch; one part for a batch that fits into it.
    """
    of_gauging = np.concatenate([rows["g"].to_numpy() for rows in (batch.points, batch.samples)]).astype(np.int64)
    rows = np.bincount(of_gauging, minlength=len(batch.gaugings))
    return site_parts_of(batch.gaugings["site"], rows, most)


def site_parts_of(sites: pd.Series, rows: Ints, most: int | None = None) -> list[Ints]:
    """Group gaugings into parts of whole sites; ``rows`` holds the number of rows of each gauging."""
    most = AT_ONCE if most is None else most
    if rows.sum() <= most:
        return [np.arange(len(sites))]
    site, names = pd.factorize(sites, sort=True)
    sizes = dict(zip(names, np.bincount(site, weights=rows, minlength=len(names)).tolist(), strict=True))
    part_of = {name: number for number, some in enumerate(site_batches(names, sizes, most)) for name in some}
    part = np.array([part_of[name] for name in names])[site]
    order = np.argsort(part, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(part[order])) + 1)


def numbered(understood: Understood) -> Batch:
    """Give the gaugings of understood deposits their numbers."""
    gaugings = understood.tables["gaugings"].reset_index(drop=True)
    index = pd.MultiIndex.from_frame(gaugings[["deposit", "gauging"]])

    def owned(rows: pd.DataFrame) -> pd.DataFrame:
        g = index.get_indexer(pd.MultiIndex.from_frame(rows[["deposit", "gauging"]]))
        return (rows if (g >= 0).all() else rows[g >= 0]).assign(g=g[g >= 0]).reset_index(drop=True)

    parts = (owned(understood.tables[name]) for name in ("points", "gauge_heights", "samples"))
    return Batch(gaugings, *parts)


def decided(view: AtCommit, batch: Batch) -> tuple[Batch, pd.DataFrame, pd.DataFrame]:
    """Decide gauging by gauging, in the order handed in, and keep those that make a new row.

    Parameters
    ----------
    view : AtCommit
    batch : Batch

    Returns
    -------
    Batch
        With the columns of ``DECIDED``.
    DataFrame
        What became of each gauging.
    DataFrame
        Problems: clashes, and corrections of what does not exist.
    """
    gaugings = batch.gaugings
    named = set(gaugings["site"]) | set(sites_named(gaugings["corrects"]).dropna())
    kept = Kept.of(view.read("gaugings", view.related(sorted(named))))
    rows_digests, points_digests = digests(gaugings, batch.points, batch.own_heights)
    keys = gauging_ids(gaugings["site"], gaugings["started_at"], gaugings["instrument"])
    args = zip(keys, gaugings["corrects"].fillna(""), gaugings["party"].fillna(""), rows_digests, strict=True)
    decisions = [decide(kept, *one) for one in args]
    outcomes = gaugings[["deposit", "gauging", "site", "row_file", "row_line"]].assign(
        rows_digest=rows_digests,
        points_digest=points_digests,
        action=pd.Series([d.action for d in decisions], dtype="str"),
        gauging_id=pd.Series([d.gauging_id for d in decisions], dtype="str"),
        revision=pd.Series([d.revision for d in decisions], dtype="Int64"),
        candidate=pd.Series([d.candidate for d in decisions], dtype="boolean"),
        reason=pd.Series([d.reason for d in decisions], dtype="str"),
        against=pd.Series([d.against for d in decisions], dtype="str"),
    )
    refused = outcomes[outcomes["action"].isin(["clash", "unknown"])]
    problems = [_refusal({str(k): v for k, v in row.items()}) for row in refused.to_dict("records")]
    return _new_rows(batch, outcomes), outcomes, problem_frame(problems)


def _new_rows(batch: Batch, outcomes: pd.DataFrame) -> Batch:
    """Keep only the gaugings that make a new row, numbered afresh."""
    mine = outcomes["action"].isin(["new", "revision"]).to_numpy()
    columns = {name: outcomes[name] for name in DECIDED}
    whole = replace(batch, gaugings=batch.gaugings.assign(**columns))
    return whole if mine.all() else whole.part(np.flatnonzero(mine))


def _refusal(decision: dict[str, Any]) -> dict[str, Any]:
    if decision["action"] == "unknown":
        column = "corrects"
        expected, actual = "an archive id that exists", decision["gauging_id"]
        consequence = "the gauging is returned; nothing stands under the id it says it corrects"
    else:
        column = "party"
        expected = f"the rows of {decision['gauging_id']} revision {decision['revision']}, digest {decision['against']}"
        actual = f"another party's rows, digest {decision['rows_digest']}"
        consequence = "the gauging is returned as a clash; what stands is unchanged and a person must decide"
    return problem_of(decision, decision["gauging"], column, expected, actual, consequence)


def from_archive(newest: pd.DataFrame, points: pd.DataFrame, samples: pd.DataFrame, reason: str) -> Batch:
    """Make a batch of gaugings that the archive holds, as if they came in again.

    Parameters
    ----------
    newest : DataFrame
        Rows of ``gaugings``, one per gauging: its newest revision that is not withdrawn.
    points, samples : DataFrame
        Rows of these revisions, among others.
    reason : str
        Why a new revision of them would exist.

    Returns
    -------
    Batch
        With the columns of ``DECIDED``; the revision is the next one.
    """
    newest = newest.reset_index(drop=True)
    back = {kept: handed_in for handed_in, kept in HANDED_IN.items()}
    header = newest.drop(columns=list(HANDED_IN), errors="ignore").rename(columns={"label": "gauging"} | back)
    names = [c.name for c in columns(DEPOSIT_TABLES["gaugings"])]
    gaugings = header[names].assign(
        gauging_id=newest["gauging_id"],
        revision=newest["revision"] + 1,
        candidate=False,
        reason=reason,
        rows_digest=newest["rows_digest"],
        points_digest=newest["points_digest"],
    )
    index = pd.MultiIndex.from_frame(newest[["gauging_id", "revision"]])

    def owned(name: str, rows: pd.DataFrame) -> pd.DataFrame:
        g = index.get_indexer(pd.MultiIndex.from_frame(rows[["gauging_id", "revision"]]))
        mine = rows[g >= 0].assign(g=g[g >= 0])
        mine = mine.assign(gauging=newest["label"].iloc[mine["g"]].to_numpy())
        return mine[[*(c.name for c in columns(DEPOSIT_TABLES[name])), "g"]].reset_index(drop=True)

    return Batch(gaugings, owned("points", points), pd.DataFrame(), owned("samples", samples))
