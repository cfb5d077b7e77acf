"""The steps from understood deposits to the rows of a commit."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from stillwell.archive.at_commit import AtCommit
from stillwell.archive.tables.table_buffer import TableBuffer
from stillwell.assessment.policy import Policy
from stillwell.intake.foreign_keys import refer
from stillwell.intake.readers.free_memory import give_back
from stillwell.prepare.batch import Batch, decided, numbered, site_parts
from stillwell.prepare.compute_batch import Surroundings, computed_parts, joined
from stillwell.prepare.context import CommitContext, Prepared
from stillwell.prepare.meters import MeterChecks, later_findings, meter_checks
from stillwell.prepare.recompute import changed_parts
from stillwell.prepare.register_rows import (
    LARGE,
    REGISTERS,
    deposit_rows,
    finished,
    put_large,
    register,
    reviewed,
    standing_with,
)
from stillwell.shared_types import Deposit, Understood


def prepare(view: AtCommit, deposits: Sequence[Deposit], understood: Understood, context: CommitContext) -> Prepared:
    """Decide, compute and assess a batch of deposits against an archive.

    Parameters
    ----------
    view : AtCommit
        The archive the batch is held against.
    deposits : sequence of Deposit
        In the order handed in.
    understood : Understood
        The same deposits as canonical frames.
    context : CommitContext

    Returns
    -------
    Prepared
        Frames by archive table, each with exactly the columns of its schema.
    """
    understood = referred(view, deposits, understood, context.rules)
    sites = sorted(set(understood.tables["gaugings"]["site"]) | set(understood.tables["gauge_heights"]["site"]))
    registers = {name: register(view, name, understood, context.rules) for name in REGISTERS}
    checks = meter_checks(view, understood, context.policy)
    batch, outcomes, clashes = decided(view, numbered(understood))
    surroundings = _surroundings(view, batch, understood, registers, sites, checks, context.policy)
    buffer = TableBuffer(context.number)
    tables = _own_tables(batch, surroundings, context, buffer)
    if context.policy_digest != context.policy_before:
        tables = _with_changed(view, tables, registers, checks, context, buffer)
    tables["findings"] = pd.concat(
        [tables["findings"], later_findings(view, checks, tables["gaugings"], context.policy)], ignore_index=True
    )
    tables |= registers | checks.tables
    decisions, unknown = reviewed(view, understood, tables["gaugings"], context.rules)
    tables |= decisions
    problems = pd.concat([understood.problems, clashes, unknown], ignore_index=True)
    tables["deposits"] = deposit_rows(deposits, outcomes, problems, context)
    notes = understood.notes
    # each table is released once its rows are finished: a season of millions of points is held once, not twice
    del understood, batch
    buffer.frames |= {name: finished(name, part, context) for name in list(tables) if len(part := tables.pop(name))}
    give_back()
    return Prepared(buffer, outcomes, problems, notes)


def referred(view: AtCommit, deposits: Sequence[Deposit], understood: Understood, rules: int) -> Understood:
    """Return what names a site, meter or calibration that nobody has ever handed in."""
    return refer(
        understood,
        sites=set(view.standing("sites")["site"]),
        instruments=set(view.standing("instruments")["instrument"]),
        calibrations=view.standing("calibrations"),
        segments=view.standing("rating_segments"),
        ratings=set(view.standing("ratings")["rating"]),
        codes=view.codes,
        deposits=[deposit.digest for deposit in deposits],
        rules=rules,
    )


def _surroundings(
    view: AtCommit,
    batch: Batch,
    understood: Understood,
    registers: dict[str, pd.DataFrame],
    sites: Sequence[str],
    checks: MeterChecks,
    policy: Policy,
) -> Surroundings:
    instruments = standing_with(view, "instruments", registers["instruments"])
    return Surroundings(
        heights=standing_with(view, "gauge_heights", understood.tables["gauge_heights"], sites),
        calibrations=standing_with(view, "calibrations", registers["calibrations"]),
        sites=standing_with(view, "sites", registers["sites"], sites),
        instruments=instruments,
        history=view.standing("gaugings", sites),
        ties=checks.ties(batch.gaugings, policy, instruments),
    )


def _own_tables(
    batch: Batch, surroundings: Surroundings, context: CommitContext, buffer: TableBuffer
) -> dict[str, pd.DataFrame]:
    """Compute the gaugings of the commit; of a large batch the large tables go into the buffer part by part."""
    # under a new policy gaugings of the same sites are computed again, and both go into the same files
    parts = site_parts(batch) if context.policy_digest == context.policy_before else None
    tables = []
    for part in computed_parts(batch, surroundings, context, parts):
        if part.for_buffer:
            put_large(buffer, part.tables, context)
        tables.append(part.tables)
    return joined(tables)


def _with_changed(
    view: AtCommit,
    tables: dict[str, pd.DataFrame],
    registers: dict[str, pd.DataFrame],
    checks: MeterChecks,
    context: CommitContext,
    buffer: TableBuffer,
) -> dict[str, pd.DataFrame]:
    """Add what a new policy changes of gaugings taken before; where that is much, large tables go into the buffer."""
    done: set[str] = set()
    changed: list[dict[str, pd.DataFrame]] = []
    for part in changed_parts(view, set(tables["gaugings"]["gauging_id"]), registers, checks, context):
        if part.for_buffer:
            done.update(part.sites)
            for name in LARGE:
                own = tables[name][tables[name]["site"].isin(part.sites)]
                part.tables[name] = pd.concat([own, part.tables[name]], ignore_index=True)
            put_large(buffer, part.tables, context)
        changed.append(part.tables)
    if done:
        rest = {name: tables[name][~tables[name]["site"].isin(done)].reset_index(drop=True) for name in LARGE}
        tables = tables | rest
        put_large(buffer, tables, context)
    return joined([tables, *changed])
