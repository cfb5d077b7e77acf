"""What the archive holds, computed and assessed again under another policy; only what changes makes a revision."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.revisions.reviews import newest_rows
from stillwell.archive.tables.current_rows import GAUGING
from stillwell.archive.tables.table_buffer import Shelf
from stillwell.assessment.checks import OF_SEASON
from stillwell.prepare.batch import Batch, from_archive, lots_of
from stillwell.prepare.compute_batch import Surroundings, figures
from stillwell.prepare.context import Circumstances, View
from stillwell.prepare.meters import MeterChecks, no_checks
from stillwell.prepare.rows import finished, put_large, standing_with
from stillwell.sameness import same_cells
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import columns

REASON = "computed again under another office policy"
ANEW = "computed again by another version of the software"
FREE = (
    "software_version", "policy_digest", "revision", "recorded_at", "revision_reason", "candidate", "status",
    "check_before", "check_after",
)  # fmt: skip
"""Columns that change with policy, commit, review or checks known, whatever the numbers do."""
BESIDE = ("calibrations", "sites", "instruments")


@dataclass(frozen=True)
class Change:
    """What would become of one gauging: both results, and the findings gained and lost."""

    gauging_id: str
    before_m3_s: float
    after_m3_s: float
    within_before: str
    within_after: str
    gained: tuple[str, ...]
    lost: tuple[str, ...]


Put = Callable[[Sequence[str], dict[str, pd.DataFrame]], dict[str, pd.DataFrame]]
"""Given some sites and rows that change of them, all of these sites; returns those to be held until the end."""


def reassessed(
    view: View,
    fresh: Set[str],
    registers: dict[str, pd.DataFrame],
    checks: MeterChecks,
    circumstances: Circumstances,
    reason: str = REASON,
    put: Put | None = None,
) -> dict[str, pd.DataFrame]:
    """Compute again every gauging the archive holds, but those of the commit itself.

    Parameters
    ----------
    view : View
    fresh : set of str
        Archive ids of the commit's own gaugings.
    registers : dict of str to DataFrame
        New rows of the commit's registers.
    checks : MeterChecks
    circumstances : Circumstances
        With the new policy.
    reason : str
        Why a new revision exists.
    put : Put, optional
        Takes rows as they are made, where there are too many to be held at once.

    Returns
    -------
    dict of str to DataFrame
        Rows of the next revision of those that change, but what ``put`` took.
    """
    newest = _newest(view, fresh)
    if newest.empty:
        return {}
    approved = set(view.read("gaugings").query("status == 'approved'")["gauging_id"])
    parts = lots_of(newest["site"], newest["points"].fillna(0).to_numpy(dtype="int64"))

    def part_of(mine: NDArray[np.int64]) -> Batch:
        rows = newest.iloc[mine]
        sites = sorted(set(rows["site"]))
        batch = from_archive(rows, view.read("points", sites), view.read("samples", sites), reason)
        return with_candidates(batch)

    def with_candidates(batch: Batch) -> Batch:
        candidate = batch.gaugings["gauging_id"].isin(approved)
        return replace(batch, gaugings=batch.gaugings.assign(candidate=candidate))

    ids: set[str] = set()

    def made(mine: NDArray[np.int64], tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
        sites = sorted(set(newest["site"].iloc[mine]))
        changed = _changed(view.read("findings", sites), newest.iloc[mine].reset_index(drop=True), tables)
        ids.update(tables["gaugings"]["gauging_id"][changed.to_numpy()])
        rows = _of(tables, ids)
        return put(sites, rows) if put and len(parts) > 1 else rows

    whole = with_candidates(from_archive(newest, view.read("points", []), view.read("samples", []), reason))
    standing = {name: _standing(view, name, registers) for name in ("gauge_heights", *BESIDE)}
    beside = Surroundings(
        heights=standing["gauge_heights"],
        calibrations=standing["calibrations"],
        sites=standing["sites"],
        instruments=standing["instruments"],
        history=view.standing("gaugings"),
        ties=checks.ties(whole.gaugings, circumstances.policy, standing["instruments"]),
    )
    return _of(figures(whole, beside, circumstances, parts, made, part_of), ids)


def _of(tables: dict[str, pd.DataFrame], ids: Set[str]) -> dict[str, pd.DataFrame]:
    """Pick the rows of some gaugings."""
    return {name: rows[rows["gauging_id"].isin(ids)].reset_index(drop=True) for name, rows in tables.items()}


def _standing(view: View, name: str, registers: dict[str, pd.DataFrame]) -> pd.DataFrame:
    return standing_with(view, name, registers[name]) if name in registers else view.standing(name)


def _newest(view: View, fresh: Set[str]) -> pd.DataFrame:
    """Pick the newest revision of each gauging that is not withdrawn."""
    rows = newest_rows(view.read("gaugings"))
    rows = rows[(rows["status"] != "withdrawn") & ~rows["gauging_id"].isin(fresh)]
    return rows.sort_values("revision", kind="stable").drop_duplicates("gauging_id", keep="last").reset_index(drop=True)


def _changed(found: pd.DataFrame, newest: pd.DataFrame, made: dict[str, pd.DataFrame]) -> pd.Series:
    """Say which gaugings have another result or other findings than their newest revision."""
    after = made["gaugings"].reset_index(drop=True)
    names = [c.name for c in columns(ARCHIVE_TABLES["gaugings"]) if c.name not in FREE and c.name in after]
    out = pd.Series(False, index=after.index)
    for name in names:
        out |= ~same_cells(newest[name], after[name])
    said = ["code", "severity", "table", "key", "column", "message", "source"]
    before = found.merge(newest[GAUGING], on=GAUGING)
    return out | (_worded(before, said, after) != _worded(made["findings"], said, after))


def _worded(findings: pd.DataFrame, names: list[str], gaugings: pd.DataFrame) -> pd.Series:
    """Join what is found of each gauging itself into one text; what else is known is no change of policy."""
    findings = findings[~findings["code"].isin(OF_SEASON)]
    if findings.empty:
        return pd.Series("", index=gaugings.index)
    lines = findings[names].astype("str").agg("|".join, axis=1)
    texts = lines.groupby(findings["gauging_id"]).agg(lambda rows: "\n".join(sorted(rows)))
    return gaugings["gauging_id"].map(texts).fillna("")


def anew(view: View, circumstances: Circumstances) -> Mapping[str, pd.DataFrame]:
    """Compute every gauging again by this version, under the policy in force; rows of those that change, as written.

    Parameters
    ----------
    view : View
    circumstances : Circumstances

    Returns
    -------
    mapping of str to DataFrame
        Empty where nothing changes.
    """
    shelf = Shelf(circumstances.number)

    def put(_: Sequence[str], rows: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
        return put_large(shelf, rows, circumstances)

    made = reassessed(view, set(), {}, no_checks(view), circumstances, ANEW, put)
    shelf.frames |= {name: finished(name, part, circumstances) for name, part in made.items() if len(part)}
    return shelf if "gaugings" in shelf else {}


def _only_gaugings(sites: Sequence[str], rows: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    return {name: rows[name] for name in ("gaugings", "findings")}


def reassess(view: View, circumstances: Circumstances) -> list[Change]:
    """Say what another policy would change, before it is adopted.

    Parameters
    ----------
    view : View
    circumstances : Circumstances
        With the policy in question.

    Returns
    -------
    list of Change
        By archive id; gaugings that stay as they are are left out.
    """
    made = reassessed(view, set(), {}, no_checks(view), circumstances, put=_only_gaugings)
    if not made:
        return []
    newest = _newest(view, set())
    known = {str(row["gauging_id"]): row for row in newest.to_dict("records")}
    before = view.read("findings").merge(newest[GAUGING], on=GAUGING).groupby("gauging_id")["code"].agg(set)
    after = made["findings"].groupby("gauging_id")["code"].agg(set)
    changes = []
    for row in made["gaugings"].sort_values("gauging_id").to_dict("records"):
        gauging_id = str(row["gauging_id"])
        had, has = before.get(gauging_id, set()), after.get(gauging_id, set())
        old = known[gauging_id]
        changes.append(
            Change(
                gauging_id,
                float(old["discharge_m3_s"]),
                float(row["discharge_m3_s"]),
                "" if pd.isna(old["within_pct"]) else str(old["within_pct"]),
                "" if pd.isna(row["within_pct"]) else str(row["within_pct"]),
                tuple(sorted(has - had)),
                tuple(sorted(had - has)),
            )
        )
    return changes
