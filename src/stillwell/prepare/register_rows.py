"""Rows of registers, reviews and deposits, and the last touch on every table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.at_commit import AtCommit
from stillwell.archive.revisions.registers import new_rows, new_values, new_values_by_order
from stillwell.archive.revisions.reviews import reviewed_rows
from stillwell.archive.tables.table_buffer import TableBuffer
from stillwell.hydrometry.grouped import in_order
from stillwell.intake.problem_collector import problem_frame, problem_of
from stillwell.intake.values.constant import taken
from stillwell.intake.values.one_value import only_value
from stillwell.prepare.context import CommitContext
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import FRAME_TYPES, columns, key_names
from stillwell.shared_types import RULES, Deposit, Understood

REGISTERS = (
    "sites", "datums", "instruments", "calibrations", "gauge_heights", "policies", "withholdings",
    "stage", "corrections", "conditions", "ratings", "rating_segments", "shifts",
)  # fmt: skip
"""Tables kept row for row, under their own key."""
LARGE = ("verticals", "points", "samples", "uncertainty_budget")
"""Tables of many rows a gauging, which nothing looks at again once a lot is made."""


def register(view: AtCommit, name: str, understood: Understood, rules: int = RULES) -> pd.DataFrame:
    """Pick the rows of a register that say something new."""
    incoming = understood.tables[name]
    if incoming.empty:
        return new_rows(incoming, incoming, [])
    key = key_names(ARCHIVE_TABLES[name])
    kept = view.read(name, sorted(incoming["site"].drop_duplicates().dropna()) if "site" in key else None)
    if name == "stage":
        return new_values(incoming, kept) if rules >= 2 else new_values_by_order(incoming, kept)
    return new_rows(incoming, kept, key)


def standing_with(view: AtCommit, name: str, rows: pd.DataFrame, sites: Sequence[str] | None = None) -> pd.DataFrame:
    """Add rows to those that stand, the added one holding where a key stands twice."""
    return added(name, view.standing(name, sites), rows)


def added(name: str, known: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Add rows of a register to others, the added one holding where a key stands twice."""
    if rows.empty:
        return known
    both = pd.concat([known, rows[[c for c in rows.columns if c in known.columns]]], ignore_index=True)
    return both.drop_duplicates(key_names(ARCHIVE_TABLES[name]), keep="last").reset_index(drop=True)


def reviewed(
    view: AtCommit, understood: Understood, fresh: pd.DataFrame, rules: int = RULES
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Apply reviews; return those of a gauging that does not exist as problems."""
    incoming = understood.tables["reviews"]
    if incoming.empty:
        return {"gaugings": fresh}, problem_frame([])
    known = view.read("gaugings", view.sites_of(incoming["subject"]))
    exists = incoming["subject"].isin({*known["gauging_id"], *fresh["gauging_id"]})
    reviews = new_rows(incoming[exists], view.read("reviews"), ["subject", "decided_at"])
    problems = _left_out(incoming[~exists], "subject", "the archive id of a gauging that exists")
    rows, void = reviewed_rows(reviews, known, fresh, rules)
    problems += _left_out(reviews[void], "decision", "provisional first, which restores a withdrawn gauging")
    tables = {"reviews": reviews[~void].reset_index(drop=True), "gaugings": rows}
    return tables, problem_frame(problems)


def _left_out(decisions: pd.DataFrame, column: str, expected: str) -> list[dict[str, Any]]:
    """Say of each decision that it is left out, and what was expected."""
    consequence = "this decision is left out; nothing changes"
    rows = ({str(name): value for name, value in row.items()} for row in decisions.to_dict("records"))
    return [problem_of(row, None, column, expected, row[column], consequence) for row in rows]


def deposit_rows(
    deposits: Sequence[Deposit], outcomes: pd.DataFrame, problems: pd.DataFrame, context: CommitContext
) -> pd.DataFrame:
    """Say what became of each deposit."""

    def count(mask: pd.Series) -> dict[str, int]:
        return dict(outcomes.loc[mask, "deposit"].value_counts())

    taken = count(outcomes["action"].isin(["new", "revision"]))
    unchanged = count(outcomes["action"] == "unchanged")
    reasons = dict(problems["deposit"].value_counts())
    labels = dict(problems.dropna(subset=["gauging"]).groupby("deposit")["gauging"].nunique())
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
            "intake_map": context.intake_map if context.intake_map not in ("", d.digest) else None,
            "by": context.by,
            "commit": context.number,
        }
        for d in deposits
    ]
    return pd.DataFrame(rows)


def _outcome(problems: int, good: int) -> str:
    if not problems:
        return "taken"
    return "partly taken" if good else "returned"


def recorded(rows: pd.DataFrame, context: CommitContext) -> pd.Series:
    """Return the moment of a commit for each row."""
    moment = pd.Timestamp(context.recorded_at).as_unit("us")
    return pd.Series(moment, index=rows.index, dtype="datetime64[us, UTC]")


def finished(name: str, rows: pd.DataFrame, context: CommitContext) -> pd.DataFrame:
    """Give a frame exactly the columns, order, types and sort of its schema."""
    model = ARCHIVE_TABLES[name]
    out = {}
    for c in columns(model):
        if c.name == "recorded_at":
            out[c.name] = recorded(rows, context)
            continue
        values = rows[c.name] if c.name in rows else pd.Series([None] * len(rows), index=rows.index)
        is_time = c.kind == "time"
        out[c.name] = (
            pd.to_datetime(values, utc=True).dt.as_unit("us") if is_time else values.astype(FRAME_TYPES[c.kind])
        )
    frame = pd.DataFrame(out, copy=False)
    order = [k for k in key_names(model) if k in frame] + (["revision"] if "revision" in frame else [])
    keys = [codes for codes in (sort_codes(frame[key]) for key in order) if codes is not None]
    # large tables mostly come in order already; a table of millions of rows is not copied for nothing
    if keys and not in_order(*keys):
        frame = taken(frame, np.lexsort(keys[::-1]))
    return frame.reset_index(drop=True)


def sort_codes(values: pd.Series) -> NDArray[Any] | None:
    """Put a column into numbers that sort as it does, missing cells last; None where all cells are the same text."""
    if isinstance(values.dtype, pd.StringDtype):
        if only_value(values) is not None:
            return None
        codes, words = pd.factorize(values, sort=True)
        return np.where(codes < 0, len(words), codes)
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        moments = values.array.asi8
        return np.where(values.isna().to_numpy(), np.iinfo(np.int64).max, moments)
    if values.isna().any():
        # a missing number comes last, whatever stands in its place
        codes, numbers = pd.factorize(values, sort=True)
        return np.where(codes < 0, len(numbers), codes)
    return values.to_numpy()


def put_large(buffer: TableBuffer, tables: dict[str, pd.DataFrame], context: CommitContext) -> None:
    """Move the large tables of some sites, all rows there are of these sites, from frames into a buffer."""
    for name in LARGE:
        buffer.put(name, finished(name, tables.pop(name), context))
