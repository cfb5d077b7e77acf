"""Uncertainty of a batch of gaugings, laid out for the results and for the budget by component."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging.uncertainty import from_scatter, from_tables, percent
from stillwell.schemas.words import COMPONENTS

K = 2.0
"""Coverage factor of an expanded uncertainty, about 95 %."""


def uncertainties(
    verticals: pd.DataFrame, results: pd.DataFrame, choices: Choices
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compute both uncertainties of every gauging that has panels.

    Parameters
    ----------
    verticals : DataFrame
        Panels as computed, with ``deep``.
    results : DataFrame
        One row per gauging.
    choices : Choices

    Returns
    -------
    DataFrame
        Expanded (k = 2) uncertainties per gauging, m3/s and percent; NaN without panels.
    DataFrame
        Standard uncertainty (k = 1, m3/s) and share of the variance of each component of the first, with ``g``.
    """
    count = len(results)
    made = results["recomputable"].to_numpy(dtype=bool)
    parts = from_tables(verticals, results["verticals"].to_numpy(dtype="int64", na_value=0), count)
    table = np.where(made, np.sqrt((parts**2).sum(axis=0)), np.nan)
    scatter = np.where(made, from_scatter(verticals, count), np.nan)
    discharge = results["discharge_m3_s"].to_numpy(dtype="float64")
    magnitude = np.abs(verticals["discharge_m3_s"].to_numpy())
    gross = np.bincount(verticals["g"].to_numpy(), weights=magnitude, minlength=count).astype(np.float64)
    columns = {}
    for name, standard in (("table", table), ("scatter", scatter)):
        columns[f"uncertainty_{name}_m3_s"] = K * standard
        columns[f"uncertainty_{name}_pct"] = percent(K * standard, discharge, gross, choices.discharge_floor_m3_s)
    return pd.DataFrame(columns), _budget(parts, table, np.flatnonzero(made & (table > 0)))


def _budget(parts: np.ndarray, table: np.ndarray, mine: np.ndarray) -> pd.DataFrame:
    kinds = pd.CategoricalDtype(list(COMPONENTS))
    codes = np.tile(np.arange(len(COMPONENTS)), mine.size)
    standard = parts[:, mine].T.reshape(-1)
    whole = np.repeat(table[mine], len(COMPONENTS))
    return pd.DataFrame(
        {
            "g": np.repeat(mine, len(COMPONENTS)),
            "component": pd.Categorical.from_codes(codes, dtype=kinds),
            "standard_m3_s": standard,
            "variance_pct": np.minimum(100 * (standard / whole) ** 2, 100.0),
        }
    )
