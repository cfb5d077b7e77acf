"""What the archive holds, computed and assessed again under another policy; only what changes makes a revision."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace

import pandas as pd

from stillwell.archive.at_commit import AtCommit
from stillwell.archive.tables.current_rows import GAUGING, newest_rows
from stillwell.archive.tables.table_buffer import TableBuffer
from stillwell.assessment.check_table import OF_SEASON
from stillwell.prepare.batch import Batch, Ints, from_archive, site_parts_of
from stillwell.prepare.compute_batch import ComputedPart, Surroundings, computed_parts, joined
from stillwell.prepare.context import CommitContext
from stillwell.prepare.meters import MeterChecks, no_checks
from stillwell.prepare.register_rows import finished, put_large, standing_with
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
KEPT = ("gaugings", "findings")
"""Tables that tell what another policy would change."""
REGISTERS_BESIDE = ("calibrations", "sites", "instruments")


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


def changed_parts(
    view: AtCommit,
    fresh: Set[str],
    registers: dict[str, pd.DataFrame],
    checks: MeterChecks,
    context: CommitContext,
    reason: str = REASON,
) -> Iterator[ComputedPart]:
    """Compute again every gauging the archive holds, but those of the commit itself, some sites at a time.

    Parameters
    ----------
    view : AtCommit
    fresh : set of str
        Archive ids of the commit's own gaugings.
    registers : dict of str to DataFrame
        New rows of the commit's registers.
    checks : MeterChecks
    context : CommitContext
        With the new policy.
    reason : str
        Why a new revision exists.

    Yields
    ------
    ComputedPart
        With the rows of the next revision of the gaugings that change, no others.
    """
    newest = _newest(view, fresh)
    if newest.empty:
        return
    # a gauging of which any revision was ever approved: its new revision waits for a review (``candidate``)
    approved = set(view.read("gaugings").query("status == 'approved'")["gauging_id"])

    def batch_of(rows: pd.DataFrame, sites: Sequence[str]) -> Batch:
        batch = from_archive(rows, view.read("points", sites), view.read("samples", sites), reason)
        candidate = batch.gaugings["gauging_id"].isin(approved)
        return replace(batch, gaugings=batch.gaugings.assign(candidate=candidate))

    def part_of(places: Ints) -> Batch:
        rows = newest.iloc[places]
        return batch_of(rows, sorted(set(rows["site"])))

    # the numbers of points are known, so that parts are told before any point is read; each reads its own
    parts = site_parts_of(newest["site"], newest["points"].fillna(0).to_numpy(dtype="int64"))
    whole = batch_of(newest, [])
    standing = {name: _standing(view, name, registers) for name in ("gauge_heights", *REGISTERS_BESIDE)}
    surroundings = Surroundings(
        heights=standing["gauge_heights"],
        calibrations=standing["calibrations"],
        sites=standing["sites"],
        instruments=standing["instruments"],
        history=view.standing("gaugings"),
        ties=checks.ties(whole.gaugings, context.policy, standing["instruments"]),
    )
    ids: set[str] = set()
    for part in computed_parts(whole, surroundings, context, parts, part_of):
        if part.sites:
            rows = newest.iloc[part.places].reset_index(drop=True)
            changed = _changed(view.read("findings", part.sites), rows, part.tables)
            ids.update(part.tables["gaugings"]["gauging_id"][changed.to_numpy()])
        yield replace(part, tables=_of(part.tables, ids))
        part.tables.clear()


def _of(tables: dict[str, pd.DataFrame], ids: Set[str]) -> dict[str, pd.DataFrame]:
    """Pick the rows of some gaugings."""
    return {name: rows[rows["gauging_id"].isin(ids)].reset_index(drop=True) for name, rows in tables.items()}


def _standing(view: AtCommit, name: str, registers: dict[str, pd.DataFrame]) -> pd.DataFrame:
    return standing_with(view, name, registers[name]) if name in registers else view.standing(name)


def _newest(view: AtCommit, fresh: Set[str]) -> pd.DataFrame:
    """Pick the newest revision of each gauging that is not withdrawn."""
    rows = newest_rows(view.read("gaugings"))
    rows = rows[(rows["status"] != "withdrawn") & ~rows["gauging_id"].isin(fresh)]
    return rows.sort_values("revision", kind="stable").drop_duplicates("gauging_id", keep="last").reset_index(drop=True)


def _changed(findings: pd.DataFrame, newest: pd.DataFrame, made: dict[str, pd.DataFrame]) -> pd.Series:
    """Say which gaugings have another result or other findings than their newest revision."""
    after = made["gaugings"].reset_index(drop=True)
    names = [c.name for c in columns(ARCHIVE_TABLES["gaugings"]) if c.name not in FREE and c.name in after]
    out = pd.Series(False, index=after.index)
    for name in names:
        out |= ~same_cells(newest[name], after[name])
    text_columns = ["code", "severity", "table", "key", "column", "message", "source"]
    before = findings.merge(newest[GAUGING], on=GAUGING)
    return out | (_worded(before, text_columns, after) != _worded(made["findings"], text_columns, after))


def _worded(findings: pd.DataFrame, names: list[str], gaugings: pd.DataFrame) -> pd.Series:
    """Join what is found of each gauging itself into one text; what else is known is no change of policy."""
    findings = findings[~findings["code"].isin(OF_SEASON)]
    if findings.empty:
        return pd.Series("", index=gaugings.index)
    lines = findings[names].astype("str").agg("|".join, axis=1)
    texts = lines.groupby(findings["gauging_id"]).agg(lambda rows: "\n".join(sorted(rows)))
    return gaugings["gauging_id"].map(texts).fillna("")


def anew(view: AtCommit, context: CommitContext) -> Mapping[str, pd.DataFrame]:
    """Compute every gauging again by this version, under the policy in force; rows of those that change, as written.

    Parameters
    ----------
    view : AtCommit
    context : CommitContext

    Returns
    -------
    mapping of str to DataFrame
        Empty where nothing changes.
    """
    buffer, tables = TableBuffer(context.number), []
    for part in changed_parts(view, set(), {}, no_checks(view), context, ANEW):
        if part.for_buffer:
            put_large(buffer, part.tables, context)
        tables.append(part.tables)
    rows = joined(tables)
    buffer.frames |= {name: finished(name, frame, context) for name, frame in rows.items() if len(frame)}
    return buffer if "gaugings" in buffer else {}


def reassess(view: AtCommit, context: CommitContext) -> list[Change]:
    """Say what another policy would change, before it is adopted.

    Parameters
    ----------
    view : AtCommit
    context : CommitContext
        With the policy in question.

    Returns
    -------
    list of Change
        By archive id; gaugings that stay as they are are left out.
    """
    parts = changed_parts(view, set(), {}, no_checks(view), context)
    made = joined([{name: part.tables[name] for name in KEPT if name in part.tables} for part in parts])
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
