"""A series of a site as an xarray dataset whose variables are read from table files when they are looked at."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import pandas as pd
import pyarrow as pa
import xarray as xr
from numpy.typing import NDArray
from xarray.backends import BackendArray, BackendEntrypoint
from xarray.core import indexing

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import recorded_by
from stillwell.archive.netcdf.arrays import variables_of
from stillwell.archive.netcdf.wording import CONVENTIONS
from stillwell.archive.tables.current_rows import described_last, standing_rows
from stillwell.errors import QueryError
from stillwell.reading.select.described import TRAIL, ColumnOf, Described
from stillwell.reading.select.files import SelectedFile, read_part, selected_files, settled
from stillwell.reading.select.filters import Arguments, Question, question
from stillwell.reading.select.moments import Moment
from stillwell.reading.select.rows import answer, pushed_down
from stillwell.reading.select.spans import fits
from stillwell.schemas.derive import UDUNITS, WITH_NETCDF, variable_attributes

_REMEMBERED = 8
"""Columns of row groups kept in memory for the next look, so that stepping through a series reads each once."""


class Describes(Protocol):
    """Whatever knows the tables and sites of an archive."""

    @property
    def known_sites(self) -> list[str]:
        """Codes of the sites."""
        ...

    def tables(self) -> list[str]:
        """Name the tables."""
        ...

    def described(self, table: str) -> Described:
        """Describe a table."""
        ...


@dataclass(frozen=True)
class _Where:
    """Where each value of a series lies: which row group, which row of it."""

    groups: Sequence[SelectedFile]
    group: NDArray[np.int32]
    row: NDArray[np.int32]


def series_dataset(
    archive: Archive,
    known: Describes,
    site: str,
    what: str,
    span: tuple[Moment | None, Moment | None],
    parts: Mapping[str, str],
) -> xr.Dataset:
    """Lay a series out along time.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood at a moment.
    known : Describes
    site : str
    what : str
        Name of a table whose key holds site and time.
    span : pair of Moment or None
        Half-open.
    parts : mapping of str to str
        Which of several, by the other columns of the key.

    Returns
    -------
    Dataset

    Raises
    ------
    QueryError
        If there is no such series, or there are several and none was chosen.
    """
    table = _table(known, what)
    others = [name for name in table.key if name not in ("site", table.time)]
    wrong = sorted(set(parts) - set(others))
    if wrong:
        msg = f"{what}: expected {' or '.join(others) or 'nothing'} to tell series apart; found {wrong[0]!r}"
        raise QueryError(msg)
    question_ = question(table, None, known.known_sites, Arguments(site, *span), False)
    groups = _row_groups(archive, question_)
    index = _index(archive, question_, groups, others)
    times = _one_series(index, question_, others, parts)
    where = _Where(groups, times["_group"].to_numpy("int32"), times["_row"].to_numpy("int32"))
    made = _lazily(_Laid(table, where, tuple(_moments(times[name]) for name in _shown(table)), others))
    return made.assign_coords(_place(archive, known, site)).assign_attrs(_words(archive, site, table, made))


def _table(known: Describes, what: str) -> Described:
    series = []
    for name in known.tables():
        if known.described(name).is_series:
            series.append(name)
    if what not in series:
        msg = f"expected a series of {', '.join(series)}; found {what!r}"
        raise QueryError(msg)
    return known.described(what)


def _time(table: Described) -> str:
    return str(table.time)


def _shown(table: Described) -> tuple[str, ...]:
    """Name the columns that give the time coordinate: of days in words, when they start and end."""
    named = _time(table)
    in_words = table.columns[named].kind != "datetime" and {"starts_at", "ends_at"} <= set(table.columns)
    return ("starts_at", "ends_at") if in_words else (named,)


def _row_groups(archive: Archive, question_: Question) -> list[SelectedFile]:
    """Part the files into row groups, each a piece of its own."""
    files = selected_files(archive, question_.table.table, question_.sites, pushed_down(archive, question_))
    return [replace(file, groups=(group,)) for file in files for group in file.groups]


def _index(
    archive: Archive, question_: Question, groups: Sequence[SelectedFile], others: Sequence[str]
) -> pd.DataFrame:
    """Read times, and the rest of the key, of every row that may stand; nothing else."""
    table = question_.table
    varying = [name for name in others if _varies(groups, name)]
    needed = [_time(table), *_shown(table), *varying, *(one.column for one in question_.in_time)]
    if not settled(table.columns, groups):
        needed += [*table.key, "revision", "recorded_at", *(["status"] if "status" in table.columns else [])]
    elif archive.as_of is not None:
        needed.append("recorded_at")
    names = [name for name in table.columns if name in needed]
    pieces = [_piece(file, number, names) for number, file in enumerate(groups)]
    if not pieces:
        nothing = table.schema.empty_table().select([*dict.fromkeys([*names, *others])]).to_pandas()
        return nothing.assign(_group=0, _row=0)
    rows = pd.concat(pieces, ignore_index=True)
    rows = recorded_by(rows, archive.as_of)
    rows = rows[fits(rows, question_.in_time)]
    for name in others:
        if name not in rows.columns:
            known = groups[0].only(name)
            rows = rows.assign(**{name: known[0] if known else None})
    return rows


def _varies(groups: Sequence[SelectedFile], name: str) -> bool:
    """Return whether a column may hold more than one value, by the footers."""
    values = {file.only(name) for file in groups}
    return None in values or len(values) > 1


def _piece(file: SelectedFile, number: int, names: Sequence[str]) -> pd.DataFrame:
    part = read_part(file, names)
    frame: pd.DataFrame = part.to_pandas(ignore_metadata=True)
    for name in frame.columns[[isinstance(kind, pd.CategoricalDtype) for kind in frame.dtypes]]:
        frame[name] = frame[name].astype("str")
    return frame.assign(_group=np.int32(number), _row=np.arange(len(frame), dtype="int32"))


def _one_series(
    index: pd.DataFrame, question_: Question, others: Sequence[str], parts: Mapping[str, str]
) -> pd.DataFrame:
    """Pick the rows that stand of the one series meant, by time."""
    rows = index
    for name, wanted in parts.items():
        rows = rows[rows[name].fillna("").eq(wanted).to_numpy(dtype=bool)]
        if rows.empty and len(index):
            raise QueryError(_several(question_, name, index, repr(wanted)))
    for name in others:
        if name not in parts and len(rows[name].unique()) > 1:
            raise QueryError(_several(question_, name, rows, "none chosen"))
    rows = rows.reset_index(drop=True)
    if "revision" in rows.columns and "recorded_at" in rows.columns:
        rows = standing_rows(question_.table.table, rows, key=question_.table.key)
    time = _time(question_.table)
    return rows if rows[time].is_monotonic_increasing else rows.sort_values(time, kind="stable")


def _several(question_: Question, name: str, rows: pd.DataFrame, given: str) -> str:
    names = ", ".join(repr(one) for one in sorted(rows[name].fillna("").unique()))
    return f"{question_.table.table} of {(question_.sites or ('',))[0]}: expected one {name} of {names}; found {given}"


def _moments(times: pd.Series) -> NDArray[np.datetime64]:
    instants = times if isinstance(times.dtype, pd.DatetimeTZDtype) else pd.to_datetime(times, utc=True)
    return instants.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy().astype("datetime64[us]")


@dataclass(frozen=True)
class _Laid:
    """What a dataset of a series is made from."""

    table: Described
    where: _Where
    times: tuple[NDArray[np.datetime64], ...]
    others: Sequence[str]


def _lazily(laid: Any) -> xr.Dataset:
    """Let xarray hold the variables as it holds those of a file: read when looked at, and then kept."""
    return xr.open_dataset(laid, engine=_Entry)


class _Entry(BackendEntrypoint):
    """Gives xarray the variables of a series to open as it opens those of a file."""

    open_dataset_parameters = ("filename_or_obj", "drop_variables")

    def open_dataset(self, filename_or_obj: Any, *, drop_variables: str | Iterable[str] | None = None) -> xr.Dataset:
        laid: _Laid = filename_or_obj
        store = _Store(laid.where)
        left_out = {"site", *_shown(laid.table), *TRAIL} - {"revision"} | set(laid.others)
        variables = {}
        for column in laid.table.columns.values():
            if column.name not in left_out:
                lazy = indexing.LazilyIndexedArray(_Column(store, column))
                variables[column.name] = xr.Variable(("time",), lazy, _attributes(laid.table.table, column))
        return xr.Dataset(variables, coords=_time_of(laid))


def _time_of(laid: _Laid) -> dict[str, Any]:
    """Give the time coordinate: the moments of rows, or the middles of days with the days as bounds."""
    attributes = {"standard_name": "time", "axis": "T"}
    if len(laid.times) == 1:
        attributes["long_name"] = laid.table.columns[_time(laid.table)].description
        return {"time": ("time", laid.times[0], attributes)}
    start, end = laid.times
    attributes |= {"long_name": "middle of the standard day", "bounds": "time_bounds"}
    bounds = np.stack([start, end], axis=1)
    return {"time": ("time", start + (end - start) // 2, attributes), "time_bounds": (("time", "bounds"), bounds)}


class _Store:
    """Reads columns of row groups, and remembers the last few."""

    def __init__(self, where: _Where) -> None:
        self.where = where
        self._read: OrderedDict[tuple[int, str], pa.ChunkedArray | None] = OrderedDict()

    def column(self, group: int, name: str) -> pa.ChunkedArray | None:
        """Read a column of a row group; None where the file has no such column."""
        if (group, name) not in self._read:
            part = read_part(self.where.groups[group], [name])
            self._read[group, name] = part[name] if name in part.column_names else None
            while len(self._read) > _REMEMBERED:
                self._read.popitem(last=False)
        self._read.move_to_end((group, name))
        return self._read[group, name]


class _Column(BackendArray):
    """One column of a series, read where it is looked at."""

    def __init__(self, store: _Store, column: ColumnOf) -> None:
        self._store = store
        self._column = column
        self.shape = store.where.row.shape
        self.dtype = np.dtype(_DTYPES[column.kind] if column.required or column.kind != "integer" else "float64")

    def __getitem__(self, key: indexing.ExplicitIndexer) -> Any:
        """Return the values at a key of xarray's."""
        return indexing.explicit_indexing_adapter(key, self.shape, indexing.IndexingSupport.OUTER, self._values)

    def _values(self, key: tuple[Any, ...]) -> Any:
        where, at = self._store.where, key[0]
        group, row = np.atleast_1d(where.group[at]), np.atleast_1d(where.row[at])
        out = np.empty(group.shape, dtype=self.dtype)
        for number in np.unique(group):
            mine = group == number
            out[mine] = self._as_values(self._store.column(int(number), self._column.name), row[mine])
        return out[0] if np.ndim(where.row[at]) == 0 else out

    def _as_values(self, column: pa.ChunkedArray | None, rows: NDArray[np.int32]) -> NDArray[Any]:
        kind = self._column.kind
        if column is None:
            return np.full(rows.shape, _MISSING[kind], dtype=self.dtype)
        values = column.take(pa.array(rows))
        if kind in ("string", "boolean"):
            values = values.cast(pa.int8()) if kind == "boolean" else values
            return values.fill_null(_MISSING[kind]).to_numpy().astype(self.dtype)
        return values.to_numpy().astype(self.dtype)


_DTYPES = {
    "number": "float64",
    "integer": "int64",
    "string": "object",
    "boolean": "int8",
    "datetime": "datetime64[us]",
}
_MISSING: Mapping[str, Any] = {
    "number": np.nan,
    "integer": np.nan,
    "string": "",
    "boolean": -1,
    "datetime": np.datetime64("NaT", "us"),
}


def _attributes(table: str, column: ColumnOf) -> dict[str, Any]:
    attributes: dict[str, Any] = dict(column.attributes)
    made = {known.name: (known, variable) for known, variable in variables_of(table)} if table in WITH_NETCDF else {}
    if column.name in made:
        names = ("cell_methods", "standard_name", "standard_error_multiplier")
        attributes |= {k: v for k, v in variable_attributes(*made[column.name]).items() if k in names}
    if column.kind == "boolean":
        attributes |= {"flag_values": np.array([-1, 0, 1], dtype="i1"), "flag_meanings": "missing no yes"}
    if "units" in attributes:
        attributes["units"] = UDUNITS.get(attributes["units"], attributes["units"])
    return attributes


def _place(archive: Archive, known: Describes, site: str) -> dict[str, Any]:
    """Give the site's code and the place of its gauge, with their CF attributes."""
    if "sites" not in known.tables():
        return {}
    table = known.described("sites")
    rows = answer(archive, Question(table, sites=(site,)), None)
    station = table.columns["site"].attributes | {"cf_role": "timeseries_id"}
    coords: dict[str, Any] = {"station_id": ((), site, station)}
    if len(rows):
        row = described_last(rows).iloc[-1]
        for name, column in (("lat", "latitude"), ("lon", "longitude")):
            coords[name] = ((), float(row[column]), table.columns[column].attributes)
    return coords


def _words(archive: Archive, site: str, table: Described, made: xr.Dataset) -> dict[str, Any]:
    attributes: dict[str, Any] = {
        "Conventions": CONVENTIONS,
        "featureType": "timeSeries",
        "title": f"{table.table} of {site}",
        "summary": table.description,
        "id": f"{site}.{table.table}",
        "source": f"Parquet tables of the archive, commit {archive.ledger.head_number()}",
    }
    if made.sizes["time"]:
        first, last = made["time"].to_numpy()[[0, -1]]
        attributes |= {"time_coverage_start": f"{first}Z", "time_coverage_end": f"{last}Z"}
    return attributes
