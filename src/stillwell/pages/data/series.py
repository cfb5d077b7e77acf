"""Which tables hold series of a site, found by their descriptions, and their values as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.thinning import usual_step
from stillwell.drawing.window import Series
from stillwell.pages.data.archive_view import View

NAMES = ("water_volume_transport_in_river_channel", "water_surface_height_above_reference_datum")
"""CF standard names of what a hydrograph shows; of a table that has both, the first."""
TABLES = ("discharge", "daily", "stage", "gauge_heights")
"""Tables shown first, and taken for series even where no column has one of those names."""
TITLES = {"daily": "Daily mean discharge", "stage": "Recorded stage", "gauge_heights": "Readings of the gauge"}
UNITS = {"m": "m", "m3 s-1": "m³/s"}
EXPANDED = "95 %"
"""In the description of each column of expanded uncertainties."""
EVEN = 0.8
"""Share of steps near the usual one from which on values are joined by a line."""


@dataclass(frozen=True)
class Kind:
    """A table of series: its time and value columns, and the columns of its key that tell one series from another.

    ``unsure`` is the column of the value's expanded uncertainty and ``marks`` that of words on how it came about;
    empty where the table has none. ``until`` is the end of a value that holds over a span, as a daily mean does.
    """

    table: str
    time: str
    value: str
    unit: str
    title: str
    split: tuple[str, ...]
    unsure: str = ""
    marks: str = ""
    until: str = ""


@dataclass(frozen=True, kw_only=True)
class SiteSeries(Series):
    """One series of a site; ``name`` is unique in the site."""

    kind: Kind
    name: str


@dataclass(frozen=True)
class SeriesOfSite:
    """All series of a site, those of the first tables first."""

    all: tuple[SiteSeries, ...]

    @property
    def nbytes(self) -> int:
        """Memory their arrays take."""
        return sum(series.nbytes for series in self.all)

    def named(self, name: str) -> SiteSeries | None:
        """Find a series by its name, the first one by an empty name."""
        return next((series for series in self.all if not name or series.name == name), None)


def kinds(view: View) -> list[Kind]:
    """Find the tables of an archive that hold series."""
    of_series = [kind for table in view.tables if (kind := _kind(view.description(table))) is not None]
    return sorted(of_series, key=lambda k: (TABLES.index(k.table) if k.table in TABLES else len(TABLES), k.table))


def _kind(description: dict[str, Any]) -> Kind | None:
    fields = {field["name"]: field for field in description["fields"]}
    key = description["primaryKey"]
    times = [
        n for n in key if fields[n]["type"] == "datetime" or (fields[n]["type"] == "string" and n in {"day", "date"})
    ]
    if "site" not in key or len(times) != 1:
        return None
    numbers = [f for f in description["fields"] if f["type"] == "number" and f.get("unit") in UNITS]
    named = sorted((f for f in numbers if f.get("standardName") in NAMES), key=lambda f: NAMES.index(f["standardName"]))
    if not named and description["name"] not in TABLES:
        return None
    value = next(iter([*named, *numbers]), None)
    if value is None:
        return None
    split = tuple(n for n in key if n not in {"site", times[0]} and fields[n]["type"] == "string")
    spans = fields[times[0]]["type"] != "datetime" and {"starts_at", "ends_at"} <= set(fields)
    unsure = (
        n
        for n, field in fields.items()
        if n.startswith("uncertainty_") and field.get("unit") == value["unit"] and EXPANDED in field["description"]
    )
    return Kind(
        description["name"],
        "starts_at" if spans else times[0],
        value["name"],
        UNITS[value["unit"]],
        value["description"],
        split,
        next(unsure, ""),
        next((n for n in ("marks", "mark") if n in fields), ""),
        "ends_at" if spans else "",
    )


def series_of(view: View, site: str) -> SeriesOfSite:
    """Read every series of a site; kept until a commit adds to them."""
    tables = kinds(view)
    return view.memo_of_files(
        ("series", site),
        [kind.table for kind in tables],
        [site],
        lambda: SeriesOfSite(tuple(series for kind in tables for series in _read(view, kind, site))),
    )


def _read(view: View, kind: Kind, site: str) -> list[SiteSeries]:
    if not view.archive.table_files(kind.table, [site]):
        return []
    optional = [name for name in (kind.unsure, kind.marks) if name]
    rows = view.archive.standing(kind.table, [site], [kind.time, kind.value, *kind.split, *optional])
    if rows.empty:
        return []
    moments = pd.to_datetime(rows[kind.time], utc=True).dt.as_unit("us")
    times = moments.astype("int64").to_numpy().astype(np.int64)
    if not kind.split:
        return [_series(kind, "", times, *_columns(kind, rows))]
    labels = rows[list(kind.split)].fillna("").agg(" ".join, axis=1) if len(kind.split) > 1 else rows[kind.split[0]]
    codes, names = pd.factorize(labels.fillna(""), sort=True)
    if len(names) == 1:
        return [_series(kind, str(names[0]), times, *_columns(kind, rows))]
    return [
        _series(kind, str(name), times[codes == i], *_columns(kind, rows[codes == i])) for i, name in enumerate(names)
    ]


def _columns(kind: Kind, rows: pd.DataFrame) -> tuple[Any, Any, Any, tuple[str, ...]]:
    """Return values, their uncertainties, the codes of their marks and the words of those."""
    values = rows[kind.value].to_numpy(dtype=np.float64, na_value=np.nan)
    half = rows[kind.unsure].to_numpy(dtype=np.float64, na_value=np.nan) if kind.unsure else None
    if not kind.marks:
        return values, half, None, ()
    codes, marks = pd.factorize(rows[kind.marks])
    return values, half, codes.astype(np.int64), tuple(str(mark) for mark in marks)


def _series(
    kind: Kind,
    part: str,
    times: NDArray[np.int64],
    values: NDArray[np.float64],
    half: NDArray[np.float64] | None = None,
    codes: NDArray[np.int64] | None = None,
    marks: tuple[str, ...] = (),
) -> SiteSeries:
    if times.size > 1 and (np.diff(times) < 0).any():
        order = np.argsort(times, kind="stable")
        times, values = times[order], values[order]
        half = None if half is None else half[order]
        codes = None if codes is None else codes[order]
    step = usual_step(times)
    near = float((np.diff(times) <= 1.5 * step).mean()) if times.size > 2 else 0.0
    even = near >= EVEN and kind.table != "gauge_heights"
    shown = TITLES.get(kind.table, kind.table.replace("_", " ").capitalize())
    name = f"{kind.table}:{part}" if part else kind.table
    title = f"{shown}, {part}" if part else shown
    return SiteSeries(
        kind=kind,
        name=name,
        title=title,
        unit=kind.unit,
        times=times,
        values=values,
        step=step if even else 0.0,
        joined=even,
        levels=bool(kind.until),
        half=half,
        codes=codes,
        marks=marks,
    )
