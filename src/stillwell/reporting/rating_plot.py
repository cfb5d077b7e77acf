"""The gaugings of a site as rows to draw, and the drawings of gauge height against discharge."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.drawing.rating import rating_svg
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s
from stillwell.reading.printed.text import significant
from stillwell.reporting.page import drawn, us
from stillwell.reporting.ratings import Shown


def marked_gaugings(
    gaugings: pd.DataFrame, findings: pd.DataFrame, reviews: pd.DataFrame, this: str | None = None
) -> pd.DataFrame:
    """Lay gaugings out for drawing.

    Parameters
    ----------
    gaugings : DataFrame
        Rows of ``gaugings`` that stand; ``departure_pct``, their distance from the rating in force, is optional.
    findings : DataFrame
        Rows of ``findings`` that stand.
    reviews : DataFrame
        Rows of ``reviews`` that stand.
    this : str, optional
        Id of the gauging that is asked about.

    Returns
    -------
    DataFrame
        ``gauging_id``, ``time_us``, ``stage_m``, ``discharge_m3_s``, ``uncertainty`` (expanded, m³/s), ``label`` (its
        date), ``role``, ``approved`` and ``hint``, as ``drawing.gaugings.gauging_marks`` asks for them.
    """
    questioned = set(findings.loc[findings["severity"] != "note", "gauging_id"]) if len(findings) else set()
    suspect = gaugings["gauging_id"].isin(questioned).to_numpy(dtype=bool)
    role = np.select(
        [gaugings["gauging_id"] == this, kept_out(gaugings, findings, reviews), suspect],
        ["this", "out", "suspect"],
        "other",
    )
    rows = pd.DataFrame(
        {
            "gauging_id": gaugings["gauging_id"].to_numpy(),
            "time_us": us(gaugings["started_at"]).to_numpy() if len(gaugings) else [],
            "stage_m": gaugings["gauge_height_m"].to_numpy(dtype=np.float64),
            "discharge_m3_s": gaugings["discharge_m3_s"].to_numpy(dtype=np.float64),
            "uncertainty": expanded_m3_s(gaugings),
            "label": gaugings["started_at"].dt.strftime("%Y-%m-%d").to_numpy(),
            "role": role,
            "approved": (gaugings["status"] == "approved").to_numpy(),
        }
    )
    return rows.assign(hint=_hints(rows, gaugings))


_ROLES = {"out": ", kept out of ratings", "suspect": ", with a suspect finding"}


def _hints(rows: pd.DataFrame, gaugings: pd.DataFrame) -> list[str]:
    """Write the numbers of each gauging in words."""
    away = gaugings.get("departure_pct", pd.Series(np.nan, index=gaugings.index))
    columns = (rows[c] for c in ("gauging_id", "discharge_m3_s", "uncertainty", "stage_m", "role"))
    out = []
    for name, q, u, h, role, status, off in zip(*columns, gaugings["status"], away, strict=True):
        flow = "without a discharge" if pd.isna(q) else f"{significant(q)}{_plus_minus(u)} m³/s"
        stage = "" if pd.isna(h) else f" at {significant(h)} m"
        from_rating = "" if pd.isna(off) else f", {off:+.1f} % from the rating in force"
        out.append(f"gauging {name}: {flow}{stage}, {status}{from_rating}{_ROLES.get(role, '')}")
    return out


def _plus_minus(half: float) -> str:
    return f" ± {significant(half, 2)}" if np.isfinite(half) else ""


def kept_out(gaugings: pd.DataFrame, findings: pd.DataFrame, reviews: pd.DataFrame) -> np.ndarray:
    """Return which gaugings stay out of ratings: an unusable finding or an estimate, unless a review decided."""
    unusable = set(findings.loc[findings["severity"] == "unusable", "gauging_id"]) if len(findings) else set()
    out = gaugings["gauging_id"].isin(unusable) | (gaugings["method"] == "estimated")
    if reviews.empty:
        return np.asarray(out, dtype=bool)
    decided = reviews[reviews["decision"].isin(("included", "excluded"))].sort_values("decided_at", kind="stable")
    last = decided.drop_duplicates("subject", keep="last").set_index("subject")["decision"]
    decision = gaugings["gauging_id"].map(last)
    return np.asarray((out & (decision != "included")) | (decision == "excluded"), dtype=bool)


def drawings(rows: pd.DataFrame, ratings: Sequence[Shown], name: str) -> list[Markup]:
    """Draw stage against discharge: plain, and by ratio too where there is a rating; the last of them is drawn."""
    if not ratings:
        return [drawn(rating_svg(rows, name=name))]
    last = ratings[-1]
    plain = drawn(rating_svg(rows, last.line, name=name))
    return [plain, drawn(rating_svg(rows, last.line, log=True, zero_m=last.zero_m, name=f"{name}-ratio"))]
