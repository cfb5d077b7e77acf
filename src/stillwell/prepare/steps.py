"""The steps from understood deposits to the rows of a commit."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from stillwell.archive.tables.table_buffer import Shelf
from stillwell.assessment.policy import Policy, policy_from
from stillwell.fingerprint import sha256
from stillwell.intake.foreign_keys import refer
from stillwell.intake.readers.memory import give_back
from stillwell.prepare.batch import Batch, decided, lots, numbered
from stillwell.prepare.compute_batch import Made, Surroundings, figures
from stillwell.prepare.context import Circumstances, Prepared, View
from stillwell.prepare.meters import MeterChecks, later_findings, meter_checks
from stillwell.prepare.recompute import reassessed
from stillwell.prepare.rows import (
    LARGE,
    REGISTERS,
    deposit_rows,
    finished,
    put_large,
    register,
    reviewed,
    standing_with,
)
from stillwell.records import Deposit, Understood


def policy_in_force(view: View, understood: Understood | None, default: str, base: str = "") -> tuple[Policy, str, str]:
    """Find the policy a commit goes by, its digest, and the digest of the one that held before.

    Parameters
    ----------
    view : View
    understood : Understood, optional
        Deposits of the commit; a policy among them holds from this commit on.
    default : str
        Text of the policy that ships with the software; an office's own says only what differs.
    base : str
        Text of a later one, for limits that an earlier one did not know yet.

    Returns
    -------
    Policy, str, str
    """
    kept = view.standing("policies")
    before = default if kept.empty else str(kept["text"].iloc[-1])
    text = before
    if understood is not None and len(understood.tables["policies"]):
        text = str(understood.tables["policies"]["text"].iloc[-1])
    shipped = policy_from(default, policy_from(base)) if base not in ("", default) else policy_from(default)
    policy = shipped if text == default else policy_from(text, shipped)
    return policy, sha256(text.encode("utf-8")), sha256(before.encode("utf-8"))


def prepare(view: View, deposits: Sequence[Deposit], understood: Understood, circumstances: Circumstances) -> Prepared:
    """Decide, compute and assess a batch of deposits against an archive.

    Parameters
    ----------
    view : View
        The archive the batch is held against.
    deposits : sequence of Deposit
        In the order handed in.
    understood : Understood
        The same deposits as canonical frames.
    circumstances : Circumstances

    Returns
    -------
    Prepared
        Frames by archive table, each with exactly the columns of its schema.
    """
    understood = referred(view, deposits, understood, circumstances.rules)
    sites = sorted(set(understood.tables["gaugings"]["site"]) | set(understood.tables["gauge_heights"]["site"]))
    registers = {name: register(view, name, understood, circumstances.rules) for name in REGISTERS}
    checks = meter_checks(view, understood, circumstances.policy)
    batch, outcomes, clashes = decided(view, numbered(understood))
    beside = _surroundings(view, batch, understood, registers, sites, checks, circumstances.policy)
    shelf = Shelf(circumstances.number)
    if circumstances.policy_digest == circumstances.policy_before:
        parts = lots(batch)
        tables = figures(
            batch, beside, circumstances, parts, _putting(shelf, circumstances) if len(parts) > 1 else None
        )
    else:
        tables = figures(batch, beside, circumstances)
        tables = _with_reassessed(view, tables, registers, checks, circumstances, shelf)
    tables["findings"] = pd.concat(
        [tables["findings"], later_findings(view, checks, tables["gaugings"], circumstances.policy)], ignore_index=True
    )
    tables |= registers | checks.tables
    decisions, unknown = reviewed(view, understood, tables["gaugings"], circumstances.rules)
    tables |= decisions
    problems = pd.concat([understood.problems, clashes, unknown], ignore_index=True)
    tables["deposits"] = deposit_rows(deposits, outcomes, problems, circumstances)
    notes = understood.notes
    # each table is let go of once its rows are finished: a season of millions of points is held once, not twice
    del understood, batch
    shelf.frames |= {
        name: finished(name, part, circumstances) for name in list(tables) if len(part := tables.pop(name))
    }
    give_back()
    return Prepared(shelf, outcomes, problems, notes)


def referred(view: View, deposits: Sequence[Deposit], understood: Understood, rules: int) -> Understood:
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
    view: View,
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


def _putting(shelf: Shelf, circumstances: Circumstances) -> Made:
    """Put the large tables of a lot on a shelf as they are made."""
    return lambda _, rows: put_large(shelf, rows, circumstances)


def _with_reassessed(
    view: View,
    tables: dict[str, pd.DataFrame],
    registers: dict[str, pd.DataFrame],
    checks: MeterChecks,
    circumstances: Circumstances,
    shelf: Shelf,
) -> dict[str, pd.DataFrame]:
    """Add what a new policy changes of gaugings taken before; where that is much, large tables go on a shelf."""
    done: set[str] = set()

    def put(sites: Sequence[str], rows: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
        done.update(sites)
        own = {name: tables[name][tables[name]["site"].isin(sites)] for name in LARGE}
        both = {name: pd.concat([own[name], rows[name]], ignore_index=True) for name in LARGE}
        return put_large(shelf, rows | both, circumstances)

    fresh = set(tables["gaugings"]["gauging_id"])
    again = reassessed(view, fresh, registers, checks, circumstances, put=put)
    if done:
        rest = {name: tables[name][~tables[name]["site"].isin(done)].reset_index(drop=True) for name in LARGE}
        tables = put_large(shelf, tables | rest, circumstances)
    return {
        name: pd.concat([rows, again[name]], ignore_index=True) if name in again else rows
        for name, rows in tables.items()
    }
