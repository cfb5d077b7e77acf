"""Where a gauging stands among the others of its site: rows for the drawing of stage against discharge."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from markupsafe import Markup

from stillwell.drawing.rating import rating_svg
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s
from stillwell.reporting.page import drawn
from stillwell.reporting.ratings import Shown


def marked_gaugings(
    gaugings: pd.DataFrame, findings: pd.DataFrame, reviews: pd.DataFrame, this: str | None = None
) -> pd.DataFrame:
    """Lay gaugings out for drawing.

    Parameters
    ----------
    gaugings : DataFrame
        Rows of ``gaugings`` that stand.
    findings : DataFrame
        Rows of ``findings`` that stand.
    reviews : DataFrame
        Rows of ``reviews`` that stand.
    this : str, optional
        Id of the gauging that is asked about.

    Returns
    -------
    DataFrame
        ``stage_m``, ``discharge_m3_s``, ``uncertainty_m3_s``, ``label`` (its date), ``role``.
    """
    out = kept_out(gaugings, findings, reviews)
    role = np.where(gauging_is(gaugings, this), "this", np.where(out, "out", "other"))
    return pd.DataFrame(
        {
            "stage_m": gaugings["gauge_height_m"].to_numpy(dtype=np.float64),
            "discharge_m3_s": gaugings["discharge_m3_s"].to_numpy(dtype=np.float64),
            "uncertainty_m3_s": expanded_m3_s(gaugings),
            "label": gaugings["started_at"].dt.strftime("%Y-%m-%d").to_numpy(),
            "role": role,
        }
    )


def gauging_is(gaugings: pd.DataFrame, this: str | None) -> np.ndarray:
    """Say which row is the gauging asked about."""
    return (gaugings["gauging_id"] == this).to_numpy(dtype=bool)


def kept_out(gaugings: pd.DataFrame, findings: pd.DataFrame, reviews: pd.DataFrame) -> np.ndarray:
    """Say which gaugings stay out of ratings: an unusable finding or an estimate, unless a review decided."""
    unusable = set(findings.loc[findings["severity"] == "unusable", "gauging_id"])
    out = gaugings["gauging_id"].isin(unusable) | (gaugings["method"] == "estimated")
    decided = reviews[reviews["decision"].isin(("included", "excluded"))].sort_values("decided_at", kind="stable")
    last = decided.drop_duplicates("subject", keep="last").set_index("subject")["decision"]
    said = gaugings["gauging_id"].map(last)
    return np.asarray((out & (said != "included")) | (said == "excluded"), dtype=bool)


def drawings(rows: pd.DataFrame, ratings: Sequence[Shown], name: str) -> list[Markup]:
    """Draw stage against discharge: plain, and by ratio too where there is a rating; the last of them is drawn."""
    if not ratings:
        return [drawn(rating_svg(rows, name=name))]
    last = ratings[-1]
    zero = last.rated.force.curve.zero_flow_m
    return [
        drawn(rating_svg(rows, last.line, name=name)),
        drawn(rating_svg(rows, last.line, log=True, zero_m=zero, name=f"{name}-ratio")),
    ]
