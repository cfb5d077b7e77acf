"""What another policy would change, and what a map makes of a deposit, before anything is written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

import pandas as pd
import pyarrow as pa

from stillwell.number_words import counted
from stillwell.reading.printed.text import as_table


class ChangeLike(Protocol):
    """What would become of one gauging."""

    @property
    def gauging_id(self) -> str:
        """Archive id."""

    @property
    def before_m3_s(self) -> float:
        """Discharge as it stands."""

    @property
    def after_m3_s(self) -> float:
        """Discharge under the other policy."""

    @property
    def within_before(self) -> str:
        """Percent that the standard uncertainty lies within, as it stands."""

    @property
    def within_after(self) -> str:
        """Percent that it lies within under the other policy."""

    @property
    def gained(self) -> tuple[str, ...]:
        """Codes of findings that would be new."""

    @property
    def lost(self) -> tuple[str, ...]:
        """Codes of findings that would go."""


def changes_table(changes: Sequence[ChangeLike]) -> pa.Table:
    """Lay changes out, one row per gauging."""
    return pa.table(
        {
            "gauging_id": pa.array([c.gauging_id for c in changes], pa.string()),
            "discharge_m3_s": pa.array([c.before_m3_s for c in changes], pa.float64()),
            "would_be_m3_s": pa.array([c.after_m3_s for c in changes], pa.float64()),
            "within_pct": pa.array([c.within_before for c in changes], pa.string()),
            "within_would_be_pct": pa.array([c.within_after for c in changes], pa.string()),
            "findings_gained": pa.array([" ".join(c.gained) for c in changes], pa.string()),
            "findings_lost": pa.array([" ".join(c.lost) for c in changes], pa.string()),
        }
    )


def changes_words(changes: Sequence[ChangeLike]) -> str:
    """Say how many gaugings would get another revision, and how to adopt the policy."""
    count = len(changes)
    if not count:
        return "nothing would change"
    return f"{counted(count, 'gauging')} would get another revision; `stillwell ingest` the policy file to adopt it"


def preview_text(tables: Mapping[str, pd.DataFrame]) -> str:
    """Lay out the first rows of each table as understood."""
    parts = []
    for name, rows in tables.items():
        plain = rows.astype(object).where(rows.notna(), None)
        records = [dict(zip(map(str, plain.columns), row, strict=True)) for row in plain.itertuples(index=False)]
        parts.append(f"{name}, as understood\n{as_table(records, list(map(str, plain.columns)))}\n")
    return "\n".join(parts) if parts else "no table was recognised\n"


def problem_lines(problems: pd.DataFrame) -> str:
    """Write what would be returned: a line for each kind of problem of a column, with the number of rows it is in."""
    alike = problems.groupby(["file", "column", "expected"], dropna=False, sort=False)
    return "".join(_problem_line(same.iloc[0], same["line"].nunique()) for _, same in alike)


def _problem_line(first: pd.Series, rows: int) -> str:
    line = "" if pd.isna(first["line"]) else f", line {first['line']}"
    column = "" if pd.isna(first["column"]) else f", column {first['column']}"
    more = f"; the same in {counted(rows - 1, 'more row')}" if rows > 1 else ""
    where = f"{first['file']}{line}{column}"
    return f"would be returned: {where}: expected {first['expected']}; found {first['found']}{more}\n"
