"""How sure a gauging is, for whoever weights by it: what was computed, else what was handed in."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.schemas.words import WITHIN_PCT

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TWICE_FROM = 90.0
"""Coverage (%) from which an uncertainty handed in is two standard ones: 95 is k = 2, 68 is k = 1 (chosen)."""

COMPUTED = ("uncertainty_table_pct", "uncertainty_scatter_pct")
"""Expanded (k = 2) uncertainties that are computed from points, in percent of the discharge."""

HANDED_IN = ("handed_in_uncertainty_pct", "handed_in_uncertainty_level")
"""What came with a result: an uncertainty in percent of the discharge, and its coverage in percent."""

JUDGED_BY = (*COMPUTED, *HANDED_IN)
"""Columns of ``gaugings`` that the standard uncertainty follows from."""

WITHIN_LIMITS_PCT = tuple(float(word) for word in WITHIN_PCT[:-1])
"""The limits of ``within_pct``; the last word lies beyond them."""


def standard_of_handed_in(uncertainty: Floats, level: Floats) -> Floats:
    """Divide an uncertainty by its coverage factor: 2 from a level of 90 % on, else 1, also where no level is said.

    Parameters
    ----------
    uncertainty : float array, shape (gaugings,)
        In any unit.
    level : float array, shape (gaugings,)
        Coverage in percent, NaN where none was said.
    """
    return np.asarray(uncertainty / np.where(level >= TWICE_FROM, 2.0, 1.0))


def standard_pct(computed: Floats, handed_in: Floats, level: Floats) -> Floats:
    """Take the standard uncertainty (k = 1) of a gauging in percent: half the computed one, else that handed in.

    Parameters
    ----------
    computed : float array, shape (gaugings,)
        The larger of both computed uncertainties, expanded (k = 2), percent; NaN where none is.
    handed_in, level : float arrays, shape (gaugings,)
        As of ``standard_of_handed_in``, percent.
    """
    return np.where(np.isnan(computed), standard_of_handed_in(handed_in, level), computed / 2)


def standard_uncertainty(rows: pd.DataFrame) -> Floats:
    """Give the relative standard uncertainty (k = 1, 0.03 for 3 %) of rows of ``gaugings``.

    A result of 0 % is one of which nobody said how sure it is.

    Returns
    -------
    float array, shape (gaugings,)
        NaN where there is none.
    """
    share = standard_pct(np.fmax(*(_numbers(rows, name) for name in COMPUTED)), *_handed_in(rows)) / 100
    return np.where(share > 0, share, np.nan)


def within_pct(rows: pd.DataFrame) -> pd.Series:
    """Name the least of 2, 5 and 8 percent that the standard uncertainty of rows of ``gaugings`` does not exceed.

    ``u = max(U_table, U_scatter) / 2``, else what was handed in, both standard (k = 1) and in percent; the word is that
    of the least limit with ``u <= limit``.

    Parameters
    ----------
    rows : DataFrame
        Rows of ``gaugings``, at least ``JUDGED_BY``.

    Returns
    -------
    Series of str, shape (gaugings,)
        A word of ``stillwell.schemas.words.WITHIN_PCT``; missing where no uncertainty in percent is known, as at
        zero flow.
        Source of the limits: DRMS App. D field note p. 18 (read).
    """
    share = standard_uncertainty(rows)
    # the limits are percents of few digits: a share of exactly 5 % must not fall beyond by its last digit
    place = np.searchsorted(WITHIN_LIMITS_PCT, np.round(np.nan_to_num(share) * 100, 9), side="left")
    words = pd.Series(np.array(WITHIN_PCT, dtype=object)[place], index=rows.index, dtype="str")
    return words.where(pd.Series(~np.isnan(share), index=rows.index))


def expanded_m3_s(rows: pd.DataFrame) -> Floats:
    """Give the expanded uncertainty (k = 2, m3/s) of rows of ``gaugings``: the larger computed, else handed in.

    Returns
    -------
    float array, shape (gaugings,)
        NaN where there is none.
    """
    larger = np.fmax(*(_numbers(rows, name.replace("_pct", "_m3_s")) for name in COMPUTED))
    given = 2 * standard_of_handed_in(*_handed_in(rows)) / 100 * np.abs(_numbers(rows, "discharge_m3_s"))
    return np.where(np.isnan(larger), given, larger)


def level_sentence(rows: pd.DataFrame) -> str:
    """Name the rows of ``gaugings`` weighted by an uncertainty handed in without its level; empty if none."""
    names = rows["gauging_id"].to_numpy(dtype=object)[_level_missing(rows)]
    if not names.size:
        return ""
    return (
        f"{names.size} gauging{'s' if names.size > 1 else ''} came with an uncertainty and no level: it is taken as one"
        f" standard uncertainty (68 %): {', '.join(names[:5])}{', ...' if names.size > 5 else ''}"
    )


def _level_missing(rows: pd.DataFrame) -> Flags:
    given, level = _handed_in(rows)
    computed = np.fmax(*(_numbers(rows, name) for name in COMPUTED))
    return np.asarray(np.isnan(computed) & (given > 0) & np.isnan(level))


def _handed_in(rows: pd.DataFrame) -> tuple[Floats, Floats]:
    pct, level = (_numbers(rows, name) for name in HANDED_IN)
    return pct, level


def _numbers(rows: pd.DataFrame, name: str) -> Floats:
    """Read a column as floats; NaN throughout where an older archive has none."""
    if name not in rows:
        return np.full(len(rows), np.nan)
    return np.asarray(rows[name].to_numpy(dtype="float64", na_value=np.nan))
