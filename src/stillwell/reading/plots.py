"""Quick drawings for a notebook, with matplotlib where it is installed. Not the drawings of a report."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from stillwell.drawing.colours import shades
from stillwell.errors import QueryError
from stillwell.hydrometry.gauging.uncertainty_in_use import expanded_m3_s
from stillwell.hydrometry.rating.rating import Rating
from stillwell.number_words import within

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WATER, _BED, _INK = "#dbe9ee", "#6b5b4b", "#22323a"


def _figure(rows: int = 1, **how: Any) -> tuple[Figure, Any]:
    """Make a figure that belongs to no window.

    Raises
    ------
    QueryError
        If matplotlib is not installed.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        msg = "expected matplotlib to draw with, found none installed; `pip install 'stillwell[plots]'` brings it"
        raise QueryError(msg) from error
    figure = Figure(figsize=(9, 3.2 * rows + 0.8), layout="constrained")
    return figure, figure.subplots(rows, 1, sharex=rows > 1, squeeze=False, **how)[:, 0]


def gauging_figure(gauging: xr.Dataset) -> Figure:
    """Draw the section of a gauging: in each panel its share of the discharge, by width and shade, and the points.

    Parameters
    ----------
    gauging : Dataset
        As ``Opened.gauging`` returns it.

    Returns
    -------
    Figure

    Raises
    ------
    QueryError
        If it has no verticals, or matplotlib is not installed.
    """
    if "vertical" not in gauging.sizes:
        msg = f"{gauging.attrs['title']}: expected verticals to draw, found none; its result was handed in as it is"
        raise QueryError(msg)
    figure, (section,) = _figure()
    x, depth = gauging["distance_along_tag_line"].to_numpy(), gauging["water_depth"].to_numpy()
    section.fill_between(x, 0, depth, color=_WATER, linewidth=0)
    section.plot(x, depth, color=_BED, linewidth=1.5)
    flow, width = (gauging[name].to_numpy() for name in ("panel_discharge", "panel_width"))
    share = np.nan_to_num(np.abs(flow))
    if share.max() > 0:
        part = share / share.max()
        section.bar(x, depth, width=np.nan_to_num(width) * part, color=shades(part, flow < 0), zorder=1)
        i, whole = int(share.argmax()), share.sum()
        section.annotate(f"largest share: {100 * share[i] / whole:.1f} %", (x[i], depth[i]), ha="center", va="top")
    section.vlines(x, 0, depth, color=_INK, linewidth=0.4)
    at = gauging["vertical_index"].to_numpy()
    velocity = gauging["normal_velocity"].to_numpy()
    drawn = section.scatter(x[at], gauging["depth"].to_numpy(), c=velocity, cmap="cividis", s=28, zorder=3)
    figure.colorbar(drawn, ax=section, label="velocity normal to the section (m/s)")
    section.set(xlabel="distance along the tag line (m)", ylabel="depth (m)", title=gauging.attrs["title"])
    section.set_ylim(float(np.nanmax(depth)) * 1.15 or 1.0, -0.02 * (float(np.nanmax(depth)) or 1.0))
    return figure


def rating_figure(gaugings: pd.DataFrame, site: str, rating: tuple[str, Rating] | None = None) -> Figure:
    """Draw gauge height over discharge of the gaugings of a site, by class of uncertainty, with its 95 % intervals.

    Parameters
    ----------
    gaugings : DataFrame
        As ``Opened.gaugings`` returns it.
    site : str
    rating : (str, Rating), optional
        A rating and its name, to be drawn too.

    Returns
    -------
    Figure

    Raises
    ------
    QueryError
        If no gauging has both, or matplotlib is not installed.
    """
    rows = gaugings.dropna(subset=["discharge_m3_s", "gauge_height_m"])
    if rows.empty:
        msg = f"{site}: expected gaugings with a discharge and a gauge height, found none"
        raise QueryError(msg)
    figure, (axes,) = _figure()
    spread = np.nan_to_num(expanded_m3_s(rows))
    for word, mine in rows.assign(spread=spread).groupby(rows["within_pct"].fillna(""), sort=True):
        q, h = mine["discharge_m3_s"], mine["gauge_height_m"]
        named = within(word) if word else "uncertainty not known"
        axes.errorbar(q, h, xerr=mine["spread"], fmt="o", markersize=5, linewidth=0.8, label=named)
    axes.set(xlabel="discharge (m³/s)", ylabel="gauge height (m)", title=f"Gaugings of {site}")
    if rating is not None:
        name, curve = rating
        stage = np.linspace(curve.support_m[0], float(rows["gauge_height_m"].max()), 200)
        axes.plot(curve.discharge(stage), stage, color=_INK, linewidth=1, label=name)
    axes.legend()
    return figure


def _first_of(quantities: list[str], what: str) -> str:
    """Pick the quantity that a series is named after, else its mean, else the first."""
    named = [name for name in quantities if name.startswith(f"{what}_")]
    return [*named, *(name for name in quantities if name.startswith("mean_")), *quantities][0]


def series_figure(series: xr.Dataset) -> Figure:
    """Draw the quantity that a series is named after over time.

    Parameters
    ----------
    series : Dataset
        As ``Opened.series`` returns it.

    Returns
    -------
    Figure

    Raises
    ------
    QueryError
        If there is nothing to draw, or matplotlib is not installed.
    """
    quantities = [str(name) for name, values in series.data_vars.items() if values.dtype == np.float64]
    if not quantities or not series.sizes["time"]:
        msg = f"{series.attrs['title']}: expected a quantity over some time, found none in this span"
        raise QueryError(msg)
    values = series[_first_of(quantities, str(series.attrs["id"]).rpartition(".")[2])]
    figure, (axes,) = _figure()
    axes.plot(series["time"].to_numpy(), values.to_numpy(), color="#1f5d73", linewidth=0.9, marker=".", markersize=3)
    attributes = values.attrs
    axes.set(
        xlabel="time (UTC)",
        ylabel=f"{attributes['long_name']} ({attributes.get('units', '1')})",
        title=series.attrs["title"],
    )
    return figure
