"""A site in the register, and its gaugings, each with its findings and its departure from the rating then in force."""

from __future__ import annotations

from typing import Any

import pandas as pd

from stillwell.archive.tables.current_rows import described_last
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import first_record
from stillwell.pages.ratings import ratings_at
from stillwell.pages.wording import severest
from stillwell.reading.rating.site_ratings import departures


def register_row(view: View, site: str) -> dict[str, Any] | None:
    """Return the newest description of a site in the register; None where it has none."""
    rows = view.standing("sites")
    mine = rows[rows["site"] == site] if len(rows) else rows
    return first_record(described_last(mine)) if len(mine) else None


def site_gaugings(view: View, site: str) -> pd.DataFrame:
    """Read the gaugings of a site that stand, in order of time.

    Returns
    -------
    DataFrame
        With ``severest`` and ``findings``, the greatest severity and the number of the findings of each, and
        ``departure_pct``, how far it lies from the rating in force at its start.
    """
    rows: pd.DataFrame = view.memo(("site-gaugings", site), lambda: _read(view, site))
    return rows


def _read(view: View, site: str) -> pd.DataFrame:
    gaugings = view.standing("gaugings", site)
    if gaugings.empty:
        return gaugings
    findings = view.standing("findings", site)
    worst = severest(findings, "gauging_id")
    counts = findings["gauging_id"].value_counts() if len(findings) else pd.Series(dtype="int64")
    return gaugings.assign(
        severest=[worst.get(gauging, "") for gauging in gaugings["gauging_id"]],
        findings=gaugings["gauging_id"].map(counts).fillna(0).astype("int64"),
        departure_pct=departures(gaugings, ratings_at(view, site)),
    ).sort_values("started_at", kind="stable")
