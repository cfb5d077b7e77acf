"""Which tables hold series of a site, found by their descriptions, and their values as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.room.buckets import usual_step
from stillwell.room.shelf import View

NAMES = ("water_surface_height_above_reference_datum", "water_volume_transport_in_river_channel")
"""CF standard names of what a hydrograph shows."""
TABLES = ("stage", "discharge", "daily", "gauge_heights")
"""Tables shown first, and taken for series even where no column has one of those names."""
UNITS = {"m": "m", "m3 s-1": "m³/s"}
EVEN = 0.8
"""Share of steps near the usual one from which on values are joined by a line."""


@dataclass(frozen=True)
class Kind:
    """A table of series: its time and value columns, and the columns of its key that tell one series from another."""

    table: str
    time: str
    value: str
    unit: str
    title: str
    split: tuple[str, ...]


@dataclass(frozen=True)
class Series:
    """One series of a site: ``name`` is unique in the site; ``joined`` where a line makes sense between values."""

    kind: Kind
    name: str
    title: str
    times: NDArray[np.int64]
    values: NDArray[np.float64]
    step: float
    joined: bool

    @property
    def nbytes(self) -> int:
        """Memory its arrays take."""
        return int(self.times.nbytes + self.values.nbytes)


@dataclass(frozen=True)
class SeriesOfSite:
    """All series of a site, those of the first tables first."""

    all: tuple[Series, ...]

    @property
    def nbytes(self) -> int:
        """Memory their arrays take."""
        return sum(series.nbytes for series in self.all)

    def named(self, name: str) -> Series | None:
        """Find a series by its name, the first one by an empty name."""
        return next((series for series in self.all if not name or series.name == name), None)


def kinds(view: View) -> list[Kind]:
    """Find the tables of an archive that hold series."""
    found = [kind for table in view.tables if (kind := _kind(view.description(table))) is not None]
    return sorted(found, key=lambda k: (TABLES.index(k.table) if k.table in TABLES else len(TABLES), k.table))


def _kind(description: dict[str, Any]) -> Kind | None:
    fields = {field["name"]: field for field in description["fields"]}
    key = description["primaryKey"]
    times = [
        n for n in key if fields[n]["type"] == "datetime" or (fields[n]["type"] == "string" and n in {"day", "date"})
    ]
    if "site" not in key or len(times) != 1:
        return None
    numbers = [f for f in description["fields"] if f["type"] == "number" and f.get("unit") in UNITS]
    named = [f for f in numbers if f.get("standardName") in NAMES]
    if not named and description["name"] not in TABLES:
        return None
    value = next(iter([*named, *numbers]), None)
    if value is None:
        return None
    split = tuple(n for n in key if n not in {"site", times[0]} and fields[n]["type"] == "string")
    return Kind(description["name"], times[0], value["name"], UNITS[value["unit"]], value["description"], split)


def series_of(view: View, site: str) -> SeriesOfSite:
    """Read every series of a site; kept until a commit adds to them."""
    found = kinds(view)
    return view.memo_of_files(
        ("series", site),
        [kind.table for kind in found],
        [site],
        lambda: SeriesOfSite(tuple(series for kind in found for series in _read(view, kind, site))),
    )


def _read(view: View, kind: Kind, site: str) -> list[Series]:
    if not view.archive.table_files(kind.table, [site]):
        return []
    rows = view.narrow(kind.table, site, [kind.time, kind.value, *kind.split])
    if rows.empty:
        return []
    moments = pd.to_datetime(rows[kind.time], utc=True).dt.as_unit("us")
    times = moments.astype("int64").to_numpy().astype(np.int64)
    values = rows[kind.value].to_numpy(dtype=np.float64, na_value=np.nan)
    if not kind.split:
        return [_series(kind, "", times, values)]
    labels = rows[list(kind.split)].fillna("").agg(" ".join, axis=1) if len(kind.split) > 1 else rows[kind.split[0]]
    codes, names = pd.factorize(labels.fillna(""), sort=True)
    return [_series(kind, str(name), times[codes == i], values[codes == i]) for i, name in enumerate(names)]


def _series(kind: Kind, part: str, times: NDArray[np.int64], values: NDArray[np.float64]) -> Series:
    if times.size > 1 and (np.diff(times) < 0).any():
        order = np.argsort(times, kind="stable")
        times, values = times[order], values[order]
    step = usual_step(times)
    near = float((np.diff(times) <= 1.5 * step).mean()) if times.size > 2 else 0.0
    even = near >= EVEN and kind.table != "gauge_heights"
    name = f"{kind.table}:{part}" if part else kind.table
    title = f"{kind.table.replace('_', ' ')}, {part}" if part else kind.table.replace("_", " ")
    return Series(kind, name, title, times, values, step if even else 0.0, even)
