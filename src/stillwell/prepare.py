"""From understood deposits to the rows of one commit. Writes nothing and reads no clock.

Ingest calls it with the archive as it stands; audit and rebuild call it again with the archive as it stood.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

import numpy as np
import pandas as pd

from schemas import ARCHIVE_TABLES
from schemas.derive import columns, key_names
from stillwell.archive.identity import Decision, Kept, decide, gauging_ids, rows_digests
from stillwell.archive.links import sites_named
from stillwell.archive.reviews import reviewed_rows
from stillwell.archive.revise import new_rows
from stillwell.assessment.assess import assess
from stillwell.assessment.evidence import Evidence
from stillwell.assessment.policy import Policy
from stillwell.hydrometry.compute import Computed, compute
from stillwell.intake.refer import refer
from stillwell.records import PROBLEM_COLUMNS, Deposit, Understood

REGISTERS = ("sites", "datums", "instruments", "calibrations", "gauge_heights")
"""Tables kept row for row, under their own key."""


class View(Protocol):
    """An archive as it stands, or as it stood at some moment."""

    def standing(self, table: str, sites: Sequence[str] | None = None) -> pd.DataFrame:
        """Return the rows that stand."""
        ...

    def read(self, table: str, sites: Sequence[str] | None = None) -> pd.DataFrame:
        """Return the rows of every revision."""
        ...

    def related(self, sites: Sequence[str]) -> list[str]:
        """Add to some sites those that share a gauging with them."""
        ...


@dataclass(frozen=True)
class Circumstances:
    """Who, when, and by what rules: all that a commit depends on beside the deposits and the archive."""

    number: int
    recorded_at: datetime
    by: str
    software_version: str
    policy: Policy
    policy_digest: str


@dataclass(frozen=True)
class Prepared:
    """The rows of one commit, what became of each gauging, and why something is returned."""

    tables: dict[str, pd.DataFrame]
    outcomes: pd.DataFrame
    problems: pd.DataFrame
    notes: pd.DataFrame


@dataclass(frozen=True)
class _Batch:
    """The gaugings handed in, with everything that belongs to them numbered by ``g``."""

    gaugings: pd.DataFrame
    points: pd.DataFrame
    own_heights: pd.DataFrame


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
    understood = _refer(view, understood)
    sites = sorted(set(understood.tables["gaugings"]["site"]) | set(understood.tables["gauge_heights"]["site"]))
    registers = {name: _register(view, name, understood, sites) for name in REGISTERS}
    batch = _number(understood)
    outcomes, clashes = _decide(_kept(view, batch.gaugings), batch)
    taken = _take(batch, outcomes)
    computed = _compute(view, taken, understood, registers, sites, circumstances.policy)
    findings = _assess(view, taken, computed, registers, circumstances.policy)
    tables = _assemble(taken, computed, findings, circumstances)
    tables |= registers | _checks(view, understood)
    reviewed, unknown = _reviews(view, understood, tables["gaugings"])
    tables |= reviewed
    problems = pd.concat([understood.problems, clashes, unknown], ignore_index=True)
    tables["deposits"] = _deposit_rows(deposits, outcomes, problems, circumstances)
    finished = {name: _finish(name, rows, circumstances) for name, rows in tables.items() if len(rows)}
    return Prepared(finished, outcomes, problems, understood.notes)


def _refer(view: View, understood: Understood) -> Understood:
    """Return what names a site, meter or calibration that nobody has ever handed in."""
    return refer(
        understood,
        sites=set(view.standing("sites")["site"]),
        instruments=set(view.standing("instruments")["instrument"]),
        calibrations=view.standing("calibrations"),
    )


def _register(view: View, name: str, understood: Understood, sites: Sequence[str]) -> pd.DataFrame:
    incoming = understood.tables[name]
    if incoming.empty:
        return new_rows(incoming, incoming, [])
    kept = view.read(name, sites if name == "gauge_heights" else None)
    return new_rows(incoming, kept, key_names(ARCHIVE_TABLES[name]))


def _standing_with(view: View, name: str, rows: pd.DataFrame, sites: Sequence[str] | None = None) -> pd.DataFrame:
    """Add rows to those that stand, the added one holding where a key stands twice."""
    known = view.standing(name, sites)
    both = pd.concat([known, rows[[c for c in rows.columns if c in known.columns]]], ignore_index=True)
    return both.drop_duplicates(key_names(ARCHIVE_TABLES[name]), keep="last").reset_index(drop=True)


def _number(understood: Understood) -> _Batch:
    gaugings = understood.tables["gaugings"].reset_index(drop=True)
    numbers = pd.Series(np.arange(len(gaugings)), index=pd.MultiIndex.from_frame(gaugings[["deposit", "gauging"]]))

    def numbered(rows: pd.DataFrame) -> pd.DataFrame:
        g = numbers.reindex(pd.MultiIndex.from_frame(rows[["deposit", "gauging"]])).to_numpy()
        mine = ~np.isnan(g.astype("float64"))
        return rows[mine].assign(g=g[mine].astype("int64")).reset_index(drop=True)

    return _Batch(gaugings, numbered(understood.tables["points"]), numbered(understood.tables["gauge_heights"]))


def _kept(view: View, gaugings: pd.DataFrame) -> Kept:
    """Collect what is kept of the sites that a batch names, also by an archive id it corrects."""
    named = set(gaugings["site"]) | set(sites_named(gaugings["corrects"]).dropna())
    return Kept.of(view.read("gaugings", view.related(sorted(named))))


def _decide(kept: Kept, batch: _Batch) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Decide gauging by gauging, in the order handed in; return the outcomes and the clashes in words."""
    gaugings = batch.gaugings
    digests = rows_digests(gaugings, batch.points, batch.own_heights)
    keys = gauging_ids(gaugings["site"], gaugings["started_at"], gaugings["instrument"])
    blanks = (keys, gaugings["corrects"].fillna(""), gaugings["party"].fillna(""), digests)
    decisions = [decide(kept, *said) for said in zip(*blanks, strict=True)]
    outcomes = gaugings[["deposit", "gauging", "site", "row_file", "row_line"]].assign(
        rows_digest=digests,
        **{name: [getattr(d, name) for d in decisions] for name in Decision.__dataclass_fields__},
    )
    refused = outcomes[outcomes["action"].isin(["clash", "unknown"])]
    return outcomes, pd.DataFrame([_refusal(row) for row in refused.itertuples()], columns=list(PROBLEM_COLUMNS))


def _refusal(row: object) -> dict[str, object]:
    said = vars(row) if hasattr(row, "__dict__") else row._asdict()  # type: ignore[attr-defined]
    if said["action"] == "unknown":
        expected, found = "an archive id that exists", said["gauging_id"]
        consequence = "the gauging is returned; nothing stands under the id it says it corrects"
    else:
        expected = f"the rows of {said['gauging_id']} revision {said['revision']}, digest {said['against']}"
        found = f"another party's rows, digest {said['rows_digest']}"
        consequence = "the gauging is returned as a clash; what stands is unchanged and a person must decide"
    return {
        "deposit": said["deposit"],
        "gauging": said["gauging"],
        "file": said["row_file"],
        "line": said["row_line"],
        "column": "corrects" if said["action"] == "unknown" else "party",
        "expected": expected,
        "found": found,
        "consequence": consequence,
    }


def _take(batch: _Batch, outcomes: pd.DataFrame) -> _Batch:
    """Keep only the gaugings that make a new row, numbered afresh."""
    mine = outcomes["action"].isin(["new", "revision"]).to_numpy()
    fresh = np.where(mine, np.cumsum(mine) - 1, -1)

    def renumbered(rows: pd.DataFrame) -> pd.DataFrame:
        g = fresh[rows["g"].to_numpy()]
        return rows[g >= 0].assign(g=g[g >= 0]).reset_index(drop=True)

    names = ["gauging_id", "revision", "candidate", "reason", "rows_digest"]
    gaugings = batch.gaugings.assign(**{name: outcomes[name] for name in names})[mine].reset_index(drop=True)
    return _Batch(gaugings, renumbered(batch.points), renumbered(batch.own_heights))


def _compute(
    view: View,
    taken: _Batch,
    understood: Understood,
    registers: Mapping[str, pd.DataFrame],
    sites: Sequence[str],
    policy: Policy,
) -> Computed:
    heights = _standing_with(view, "gauge_heights", understood.tables["gauge_heights"], sites)
    calibrations = _standing_with(view, "calibrations", registers["calibrations"])
    return compute(taken.gaugings, taken.points, heights, calibrations, policy.choices)


def _assess(
    view: View,
    taken: _Batch,
    computed: Computed,
    registers: Mapping[str, pd.DataFrame],
    policy: Policy,
) -> pd.DataFrame:
    return assess(
        Evidence(
            gaugings=taken.gaugings,
            results=computed.results,
            verticals=computed.verticals,
            points=computed.points,
            readings=computed.readings,
            policy=policy,
            sites=_standing_with(view, "sites", registers["sites"]),
            instruments=_standing_with(view, "instruments", registers["instruments"]),
        )
    )


def _assemble(
    taken: _Batch, computed: Computed, findings: pd.DataFrame, circumstances: Circumstances
) -> dict[str, pd.DataFrame]:
    header = taken.gaugings.rename(
        columns={
            "gauging": "label",
            "reason": "revision_reason",
            "discharge_m3_s": "handed_in_discharge_m3_s",
            "uncertainty_pct": "handed_in_uncertainty_pct",
            "uncertainty_level": "handed_in_uncertainty_level",
        }
    )
    header = header.drop(columns=[c for c in computed.results.columns if c in header.columns])
    rows = pd.concat([header, computed.results], axis=1).assign(
        status="provisional",
        software_version=circumstances.software_version,
        policy_digest=circumstances.policy_digest,
    )
    owner = taken.gaugings[["gauging_id", "site", "revision", "deposit"]]
    points = computed.points.assign(point_depth_m=_point_depths(computed.points))
    details = {"verticals": computed.verticals, "points": points, "findings": findings}
    return {"gaugings": rows} | {name: _owned(part, owner) for name, part in details.items()}


def _owned(rows: pd.DataFrame, owner: pd.DataFrame) -> pd.DataFrame:
    mine = owner.iloc[rows["g"].to_numpy()].reset_index(drop=True)
    return rows.reset_index(drop=True).assign(**{name: mine[name] for name in owner.columns})


def _point_depths(points: pd.DataFrame) -> pd.Series:
    """Depth of each point below the water surface: under ice, counted from its underside."""
    underside = points["ice_underside_m"].where(points["kind"] == "ice", 0.0)
    return underside + points["relative_depth"] * (points["depth_m"] - underside)


def _checks(view: View, understood: Understood) -> dict[str, pd.DataFrame]:
    incoming = understood.tables["checks"]
    if incoming.empty:
        return {}
    samples = new_rows(incoming, view.read("check_samples"), key_names(ARCHIVE_TABLES["check_samples"]))
    if samples.empty:
        return {}
    whole = _standing_with(view, "check_samples", samples)
    whole = whole[whole["check"].isin(set(samples["check"]))]
    summary = _summarise_checks(whole, samples)
    kept = view.read("checks")
    return {"check_samples": samples, "checks": new_rows(summary, kept, ["check"])}


def _summarise_checks(whole: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
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
    trail = samples.groupby("check", sort=True)[["deposit", "row_file", "row_line"]].first()
    return summary.join(trail).reset_index()


def _reviews(view: View, understood: Understood, fresh: pd.DataFrame) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Apply reviews; return those of a gauging that does not exist."""
    incoming = understood.tables["reviews"]
    nothing = pd.DataFrame(columns=list(PROBLEM_COLUMNS))
    if incoming.empty:
        return {"gaugings": fresh}, nothing
    named = sorted(set(sites_named(incoming["subject"]).dropna()))
    known = view.read("gaugings", view.related(named))
    exists = incoming["subject"].isin({*known["gauging_id"], *fresh["gauging_id"]})
    reviews = new_rows(incoming[exists], view.read("reviews"), ["subject", "decided_at"])
    unknown = incoming[~exists]
    problems = pd.DataFrame(
        {
            "deposit": unknown["deposit"],
            "gauging": None,
            "file": unknown["row_file"],
            "line": unknown["row_line"],
            "column": "subject",
            "expected": "the archive id of a gauging that exists",
            "found": unknown["subject"],
            "consequence": "this decision is left out; nothing changes",
        }
    )
    return {"reviews": reviews, "gaugings": reviewed_rows(reviews, known, fresh)}, problems if len(
        problems
    ) else nothing


def _deposit_rows(
    deposits: Sequence[Deposit], outcomes: pd.DataFrame, problems: pd.DataFrame, circumstances: Circumstances
) -> pd.DataFrame:
    def count(mask: pd.Series) -> dict[str, int]:
        return outcomes.loc[mask, "deposit"].value_counts().to_dict()

    taken = count(outcomes["action"].isin(["new", "revision"]))
    unchanged = count(outcomes["action"] == "unchanged")
    reasons = problems["deposit"].value_counts().to_dict()
    labels = problems.dropna(subset=["gauging"]).groupby("deposit")["gauging"].nunique().to_dict()
    rows = [
        {
            "deposit": d.digest,
            "name": d.name,
            "kind": d.kind,
            "files": len(d.files),
            "size_bytes": d.size,
            "outcome": _outcome(reasons.get(d.digest, 0), taken.get(d.digest, 0) + unchanged.get(d.digest, 0)),
            "gaugings_taken": taken.get(d.digest, 0),
            "gaugings_unchanged": unchanged.get(d.digest, 0),
            "gaugings_returned": labels.get(d.digest, 0),
            "problems": reasons.get(d.digest, 0),
            "by": circumstances.by,
            "commit": circumstances.number,
        }
        for d in deposits
    ]
    return pd.DataFrame(rows)


def _outcome(problems: int, good: int) -> str:
    if not problems:
        return "taken"
    return "partly taken" if good else "returned"


def _finish(name: str, rows: pd.DataFrame, circumstances: Circumstances) -> pd.DataFrame:
    """Give a frame exactly the columns, order, types and sort of its schema."""
    model = ARCHIVE_TABLES[name]
    rows = rows.assign(recorded_at=pd.Timestamp(circumstances.recorded_at).as_unit("us"))
    out = {}
    for c in columns(model):
        dtype: Any = {"text": "str", "number": "float64", "count": "Int64", "flag": "boolean"}.get(c.kind)
        values = rows[c.name] if c.name in rows else pd.Series([None] * len(rows), index=rows.index)
        out[c.name] = values.astype(dtype) if dtype else pd.to_datetime(values, utc=True).dt.as_unit("us")
    frame = pd.DataFrame(out)
    order = [k for k in key_names(model) if k in frame] + (["revision"] if "revision" in frame else [])
    return frame.sort_values(order, kind="stable").reset_index(drop=True)
