"""Checks of meters: summarised, judged against limits and the meter's own history, and tied to gaugings."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from stillwell.archive.at_commit import AtCommit
from stillwell.archive.revisions.registers import new_rows
from stillwell.archive.tables.current_rows import described_last
from stillwell.assessment.assess import worded
from stillwell.assessment.check_table import CHECKS
from stillwell.assessment.evidence import of_rows
from stillwell.assessment.health import assess_health, ties
from stillwell.assessment.policy import Policy
from stillwell.prepare.register_rows import standing_with
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import key_names
from stillwell.shared_types import Understood

VERDICT = ["check", "instrument", "checked_at", "verdict"]
TRAIL = ["deposit", "row_file", "row_line"]


@dataclass(frozen=True)
class MeterChecks:
    """New rows of ``checks`` and ``check_samples``, and the verdicts that stand with them."""

    tables: dict[str, pd.DataFrame]
    verdicts: pd.DataFrame

    def ties(self, gaugings: pd.DataFrame, policy: Policy, instruments: pd.DataFrame) -> pd.DataFrame:
        """Tie gaugings to the last check before and the first after with their meter; one row per gauging."""
        named = gaugings[["gauging_id", "instrument", "started_at", "ended_at"]].reset_index(drop=True)
        kind_of = described_last(instruments, "instrument").set_index("instrument")["kind"]
        return ties(named, self.verdicts, policy.value("check_days"), named["instrument"].map(kind_of))


def no_checks(view: AtCommit) -> MeterChecks:
    """Return the verdicts that stand, without any new one."""
    return MeterChecks({}, view.standing("checks")[VERDICT])


def meter_checks(view: AtCommit, understood: Understood, policy: Policy) -> MeterChecks:
    """Judge the checks of a batch.

    Parameters
    ----------
    view : AtCommit
    understood : Understood
    policy : Policy

    Returns
    -------
    MeterChecks
    """
    incoming = understood.tables["checks"]
    if incoming.empty:
        return no_checks(view)
    samples = new_rows(incoming, view.read("check_samples"), key_names(ARCHIVE_TABLES["check_samples"]))
    if samples.empty:
        return no_checks(view)
    whole = standing_with(view, "check_samples", samples)
    mine = whole["check"].isin(set(samples["check"]))
    health = assess_health(whole[mine].reset_index(drop=True), policy.health_limits(), whole)
    summary = _summary(whole[mine], samples).merge(health.verdicts[["check", "verdict", "reasons"]], on="check")
    rows = new_rows(summary, view.read("checks"), ["check"])
    verdicts = standing_with(view, "checks", rows)[VERDICT]
    return MeterChecks({"check_samples": samples, "checks": rows}, verdicts)


def _summary(whole: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    first = ["instrument", "checked_at", "place", "gauging"]
    groups = whole.groupby("check", sort=True)
    summary = groups[first].first()
    by_receiver = whole.groupby(["check", "receiver"])["snr_db"].mean().groupby(level="check").min()
    summary = summary.assign(
        samples=groups["sample"].nunique().astype("Int64"),
        receivers=groups["receiver"].nunique().astype("Int64"),
        duration_s=groups["sample_s"].max() - groups["sample_s"].min(),
        snr_db=by_receiver,
        water_temperature_c=groups["water_temperature_c"].mean(),
        reference_temperature_c=groups["reference_temperature_c"].mean(),
    )
    trail = samples.groupby("check", sort=True)[TRAIL].first()
    return summary.join(trail).reset_index()


def later_findings(view: AtCommit, checks: MeterChecks, fresh: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Find gaugings taken earlier that a new check makes suspect; they keep their revision and gain a finding.

    Parameters
    ----------
    view : AtCommit
    checks : MeterChecks
    fresh : DataFrame
        Rows of ``gaugings`` of this commit, which have their findings already.
    policy : Policy

    Returns
    -------
    DataFrame
        Rows of ``findings``, resting on the deposit of the check.
    """
    new = checks.tables.get("checks")
    unfit = [] if new is None else new.loc[new["verdict"] == "unfit", "instrument"].unique().tolist()
    if new is None or not unfit:
        return pd.DataFrame()
    kept = view.standing("gaugings")
    kept = kept[kept["instrument"].isin(unfit) & ~kept["gauging_id"].isin(set(fresh["gauging_id"]))]
    if kept.empty:
        return pd.DataFrame()
    kept = kept.reset_index(drop=True)
    tied = checks.ties(kept, policy, view.standing("instruments"))
    check = next(c for c in CHECKS if c.code == "meter-unfit")
    known = view.read("findings")
    known = known[known["code"] == check.code]
    had = pd.MultiIndex.from_frame(known[["gauging_id", "revision"]])
    mine = pd.MultiIndex.from_frame(kept[["gauging_id", "revision"]])
    wrong = tied["suspect_since_healthy"].to_numpy(dtype=bool) & ~mine.isin(had)
    findings = worded(check, of_rows(kept, wrong), policy)
    cause = new[new["verdict"] == "unfit"].drop_duplicates("instrument").set_index("instrument")
    rows = kept.iloc[findings["g"]].reset_index(drop=True)
    trail = cause.loc[rows["instrument"], TRAIL].reset_index(drop=True)
    return findings.drop(columns=["g", "row_file", "row_line"]).assign(
        gauging_id=rows["gauging_id"], site=rows["site"], revision=rows["revision"], **{n: trail[n] for n in TRAIL}
    )
