"""What a record says over months and years: volumes, flow duration, low and high flows. From daily values only."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.hydrometry.rating.spans_in_force import Floats, Ints

DAY_S = 86_400.0


def water_year(day: pd.Series, start_month: int) -> Ints:
    """Name the water year of each day: the calendar year in which it ends; the calendar year itself from January."""
    turned = (day.dt.month >= start_month) & (start_month > 1)
    return np.asarray(day.dt.year + turned, dtype=np.int64)


def monthly_totals(daily: pd.DataFrame, missing_days: int = 0) -> pd.DataFrame:
    """Add daily means up to months.

    Parameters
    ----------
    daily : DataFrame
        ``day``, ``mean_m3_s``, ``uncertainty_m3_s`` as from ``daily_values``.
    missing_days : int
        Most days that may lack a mean; the total is then the mean of the known days over all days of the month.

    Returns
    -------
    DataFrame
        ``year``, ``month``, ``days`` (of the month), ``days_known``, ``mean_m3_s``, ``volume_m3``,
        ``uncertainty_m3`` (standard; errors of all days taken as one error); NaN where too many days are missing.
    """
    month = daily["day"].dt.year * 12 + daily["day"].dt.month - 1
    number, at = np.unique(month.to_numpy(dtype=np.int64), return_inverse=True)
    start = (number - 1970 * 12).astype("datetime64[M]")
    days = ((start + 1).astype("datetime64[D]") - start.astype("datetime64[D]")).astype(np.int64)
    keys = pd.DataFrame({"year": number // 12, "month": number % 12 + 1})
    return pd.concat([keys, _totals(daily, at, days, missing_days)], axis=1)


def yearly_totals(daily: pd.DataFrame, start_month: int = 10, missing_days: int = 0) -> pd.DataFrame:
    """Add daily means up to water years, named for the year in which they end.

    Parameters
    ----------
    daily : DataFrame
    start_month : int
        Month in which the water year starts: 10 north, 7 south (AMS Glossary, read).
    missing_days : int

    Returns
    -------
    DataFrame
        ``water_year`` and the columns of ``monthly_totals``.
    """
    year, at = np.unique(water_year(daily["day"], start_month), return_inverse=True)
    first = (year - 1970 - (start_month > 1)) * 12 + start_month - 1
    begin, end = (m.astype("datetime64[M]").astype("datetime64[D]") for m in (first, first + 12))
    days = (end - begin).astype(np.int64)
    return pd.concat([pd.DataFrame({"water_year": year}), _totals(daily, at, days, missing_days)], axis=1)


def _totals(daily: pd.DataFrame, at: Ints, days: Ints, missing_days: int) -> pd.DataFrame:
    mean, unsure = daily["mean_m3_s"].to_numpy(), daily["uncertainty_m3_s"].to_numpy()
    known = np.isfinite(mean)
    count, flow, u = (
        np.bincount(at[known], weights=w, minlength=days.size) for w in (None, mean[known], unsure[known])
    )
    enough = (days - count <= missing_days) & (count > 0)
    average, u_average = (np.divide(v, count, out=np.full(days.size, np.nan), where=enough) for v in (flow, u))
    return pd.DataFrame(
        {
            "days": days,
            "days_known": count.astype(np.int64),
            "mean_m3_s": average,
            "volume_m3": average * days * DAY_S,
            "uncertainty_m3": u_average * days * DAY_S,
        }
    )


def flow_duration(mean_m3_s: Floats) -> pd.DataFrame:
    """Say how often each daily mean is reached or passed: ``P = 100 m / (N + 1)``.

    m rank from the largest, N number of known days. Days of equal discharge share the larger rank, so that P is the
    share of days on which that discharge is reached or passed.

    Parameters
    ----------
    mean_m3_s : float array, shape (days,)
        m3/s; NaN where missing.

    Returns
    -------
    DataFrame
        ``discharge_m3_s`` (each once, falling), ``rank``, ``reached_pct``, ``return_days`` (``(N + 1)/m``).

    Notes
    -----
    Weibull plotting position (read: University of Houston flooding exercise).
    """
    known = mean_m3_s[np.isfinite(mean_m3_s)]
    value, count = np.unique(known, return_counts=True)
    rank = np.cumsum(count[::-1])
    return pd.DataFrame(
        {
            "discharge_m3_s": value[::-1],
            "rank": rank,
            "reached_pct": 100 * rank / (known.size + 1),
            "return_days": (known.size + 1) / rank,
        }
    )


def discharge_reached(duration: pd.DataFrame, percent: Floats) -> Floats:
    """Read the discharge reached or passed on some percent of days off a duration curve; NaN beyond its ends."""
    if duration.empty:
        return np.full(np.shape(percent), np.nan)
    p, q = duration["reached_pct"].to_numpy(), duration["discharge_m3_s"].to_numpy()
    return np.interp(percent, p, q, left=np.nan, right=np.nan)


def moving_means(mean_m3_s: Floats, days: int = 7) -> Floats:
    """Average each run of consecutive days; NaN where one is missing. Element i is the run that starts on day i."""
    if mean_m3_s.size < days:
        return np.zeros(0)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(mean_m3_s, days).mean(axis=1))


def seven_day_minimum(daily: pd.DataFrame, start_month: int = 4, days: int = 7) -> pd.DataFrame:
    """Find the smallest mean of seven consecutive days with a mean, in each year.

    Parameters
    ----------
    daily : DataFrame
        Every day once, in order.
    start_month : int
        Month in which the low-flow year starts, so that low water is not cut (April as remembered, USA).
    days : int

    Returns
    -------
    DataFrame
        ``year`` (in which the low-flow year starts), ``minimum_m3_s``, ``from_day``, ``runs`` (number of complete runs,
        so that a year with holes can be told). A run belongs to a year when all its days do. Of equal ones the first.
    """
    means = moving_means(daily["mean_m3_s"].to_numpy(), days)
    year = np.asarray(daily["day"].dt.year - (daily["day"].dt.month < start_month), dtype=np.int64)
    same = year[: means.size] == year[year.size - means.size :]
    at = np.flatnonzero(np.isfinite(means) & same)
    at = at[np.lexsort((at, means[at], year[at]))]
    names, first, runs = np.unique(year[at], return_index=True, return_counts=True)
    best = at[first]
    day = daily["day"].iloc[best].reset_index(drop=True)
    return pd.DataFrame({"year": names, "minimum_m3_s": means[best], "from_day": day, "runs": runs})


def annual_maximum(daily: pd.DataFrame, start_month: int = 10) -> pd.DataFrame:
    """Find the greatest value and the greatest daily mean of each water year.

    Parameters
    ----------
    daily : DataFrame
        ``day``, ``maximum_m3_s``, ``mean_m3_s``.
    start_month : int

    Returns
    -------
    DataFrame
        ``water_year``, ``maximum_m3_s``, ``maximum_day``, ``daily_maximum_m3_s``, ``daily_maximum_day``,
        ``days_known`` (with a mean: a maximum may hide in the others). Of equal ones the first day.
    """
    year = water_year(daily["day"], start_month)
    names = np.unique(year)
    known = np.bincount(np.searchsorted(names, year), weights=daily["mean_m3_s"].notna(), minlength=names.size)
    out = pd.DataFrame({"water_year": names})
    for column, name in (("maximum_m3_s", "maximum"), ("mean_m3_s", "daily_maximum")):
        value = daily[column].to_numpy()
        at = np.flatnonzero(np.isfinite(value))
        at = at[np.lexsort((at, -value[at], year[at]))]
        years, first = np.unique(year[at], return_index=True)
        best = pd.DataFrame({f"{name}_m3_s": value[at[first]], f"{name}_day": daily["day"].to_numpy()[at[first]]})
        out = out.join(best.set_axis(years), on="water_year")
    return out.assign(days_known=known.astype(np.int64))
