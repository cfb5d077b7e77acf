"""Reads the rows that answer a question on one table; opens no file of another site, reads no column not needed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import recorded_by
from stillwell.archive.tables.current_rows import GAUGING, newest_rows, standing_rows
from stillwell.archive.tables.table_files import as_frame, joined
from stillwell.errors import QueryError
from stillwell.reading.select.described import Described
from stillwell.reading.select.files import SelectedFile, Span, read_parts, selected_files, settled
from stillwell.reading.select.filters import Question
from stillwell.reading.select.spans import EVER, Condition, fits, of_values

GaugingsCache = dict[tuple[Any, ...], pd.DataFrame]
"""Current gaugings by the sites and moment of a question; an opened archive never changes."""
MOST_CACHED = 8


def answer(
    archive: Archive, question: Question, gaugings: Described | None, cache: GaugingsCache | None = None
) -> pd.DataFrame:
    """Read the rows that answer a question.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood at a moment.
    question : Question
    gaugings : Described or None
        The archive's table of gaugings.
    cache : GaugingsCache, optional
        Shared by questions, so that points and verticals of a site do not select the current gaugings again.

    Returns
    -------
    DataFrame
        With the columns asked for, in the order of site, key and revision.

    Raises
    ------
    QueryError
        If a gauging or instrument is named that the archive does not know.
    ArchiveDamaged
        If a file is missing or not as it was written.
    """
    if question.table.table == "gaugings":
        rows = _gaugings(archive, question)
    elif question.table.of_gaugings and gaugings is not None:
        rows = _rows_of_gaugings(archive, question, gaugings, {} if cache is None else cache)
    else:
        rows = _independent_rows(archive, question)
    if rows.empty:
        _check_instrument(archive, question)
    # picking columns copies them
    rows = rows if list(rows.columns) == question.named else rows[question.named]
    return rows.reset_index(drop=True)


def pushed_down(archive: Archive, question: Question) -> list[Span]:
    """Return the spans that row groups can be ruled out by before it is known which rows are current.

    A row's time only rules it out early where it is part of the key: elsewhere a correction may have changed it.
    """
    table, time = question.table, question.table.time
    spans: list[Span] = []
    early = time in table.key or "revision" not in table.columns
    if time is not None and early and table.columns[time].kind == "datetime":
        spans = [(c.column, *((c.value, None) if c.sign == ">=" else (None, c.value))) for c in question.in_time]
    if archive.as_of is not None and "recorded_at" in table.columns:
        spans.append(("recorded_at", None, archive.as_of + timedelta(microseconds=1)))
    return spans


def _independent_rows(archive: Archive, question: Question) -> pd.DataFrame:
    """Read a table whose rows belong to no gauging."""
    table, spans = question.table, pushed_down(archive, question)
    files = selected_files(archive, table.table, question.sites, spans)
    whole = question.revisions or settled(table.columns, files)
    needed = [] if whole else [*table.key, "revision", "recorded_at"]
    early = {span[0] for span in spans}
    met = [*(c for c in question.in_time if c.column not in early), *of_values(question.where)]
    rows = _rows(table, files, [*question.named, *needed, *(c.column for c in met)], spans)
    if not whole:
        rows = standing_rows(table.table, rows, key=table.key)
    return _meeting(rows, met)


def _meeting(rows: pd.DataFrame, conditions: Sequence[Condition]) -> pd.DataFrame:
    met = fits(rows, conditions)
    return rows if met.all() else rows[met]


def _gaugings(archive: Archive, question: Question) -> pd.DataFrame:
    """Read the gaugings themselves, whose site and start a correction may have changed."""
    table, known = question.table, (question.where or {}).get("gauging_id")
    sites = question.sites if known is None else archive.sites_of(known)
    files = selected_files(archive, "gaugings", None if sites is None else archive.related(sites))
    met = [*question.in_time, *of_values(question.where)]
    needed = [*GAUGING, "recorded_at", "status", "site", *(c.column for c in met)]
    rows = _rows(table, files, [*question.named, *needed], [])
    _check_gaugings(rows, known)
    rows = recorded_by(rows, archive.as_of)
    if not question.revisions:
        rows = standing_rows(table.table, rows, key=table.key)
    if question.sites is not None:
        rows = rows[rows["site"].isin(set(question.sites))]
    return _meeting(rows, met)


def _rows_of_gaugings(archive: Archive, question: Question, gaugings: Described, cache: GaugingsCache) -> pd.DataFrame:
    """Read a table whose rows belong to gaugings: those of the revisions that the question selects."""
    where = dict(question.of_gauging or {})
    if "gauging_id" in (question.where or {}):
        where["gauging_id"] = (question.where or {})["gauging_id"]
    spans, sites, revisions = pushed_down(archive, question), question.sites, None
    filtered = bool(where) or bool(question.span)
    ids: list[Span] = []
    if filtered or not question.revisions:
        revisions = _revisions_asked_for(
            archive, replace(question, table=gaugings, where=where, of_gauging=None), cache
        )
    if revisions is not None and filtered:
        sites = tuple(sorted(revisions["site"].unique()))
        ids = (
            [("gauging_id", revisions["gauging_id"].min(), revisions["gauging_id"].max() + "\0")]
            if len(revisions)
            else []
        )
    files = selected_files(archive, question.table.table, sites, [*spans, *ids])
    needed = [*question.named, *(question.where or {})]
    return _meeting(_rows(question.table, files, needed, spans, revisions), of_values(question.where))


def _revisions_asked_for(archive: Archive, question: Question, cache: GaugingsCache) -> pd.DataFrame:
    """Select the revisions of gaugings whose rows in another table are asked for."""
    where = question.where or {}
    columns = (*GAUGING, "site", "recorded_at", "status", "started_at", "within_pct", "instrument")
    plain = replace(question, span=EVER, where=None, columns=columns)
    if set(where) - set(columns):
        plain = replace(plain, columns=tuple(dict.fromkeys([*columns, *where])))
    if "gauging_id" in where:
        plain = replace(plain, where={"gauging_id": where["gauging_id"]})
    key = (plain.sites, archive.as_of, plain.revisions, plain.columns)
    rows = cache.get(key) if plain.where is None else None
    if rows is None:
        rows = _gaugings(archive, plain)
        rows = newest_rows(rows) if question.revisions else rows
        if plain.where is None:
            cache[key] = rows
            while len(cache) > MOST_CACHED:
                cache.pop(next(iter(cache)))
    return _meeting(rows, [*question.in_time, *of_values(where)])


def _rows(
    table: Described,
    files: Sequence[SelectedFile],
    columns: Iterable[str],
    spans: Sequence[Span],
    revisions: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Read the rows of some spans and revisions from files into one frame, in the order of site, key and revision."""
    in_order = _in_order(table, files)
    files, merged = in_order or files, in_order is None
    cut = [span for span in spans if span[0] in table.columns and _cuts(files, span)]
    extra = {*_to_join(files, revisions), *(span[0] for span in cut), *(table.order if merged else ())}
    wanted = [name for name in table.columns if name in extra.union(columns)]
    parts = [_inside(part, cut) for part in read_parts(files, wanted)]
    if revisions is not None:
        parts = [_of(part, revisions) for part in parts]
    parts = [part for part in parts if len(part)]
    if merged and not _follow(parts, table.order):
        whole = joined(parts, pa.schema([table.schema.field(name) for name in wanted]))
        parts = [whole.take(pc.sort_indices(whole, sort_keys=[(name, "ascending") for name in table.order]))]
    return as_frame(parts, pa.schema([table.schema.field(name) for name in dict.fromkeys(columns)]))


def _in_order(table: Described, files: Sequence[SelectedFile]) -> list[SelectedFile] | None:
    """Order files so that their rows follow each other in the order of the table; None where the footers cannot tell.

    Files in such an order are read one after the other, without merging and sorting their rows.
    """
    if all(one.sites and other.sites and one.sites[-1] < other.sites[0] for one, other in pairwise(files)):
        return list(files)
    # files that share a site, as the years of one sensor do: their order is that of their times, provided that each
    # file has one site, the other columns of the key are the same single value in all, and the times do not overlap
    if any(len(file.sites) > 1 for file in files):
        return None
    time, others = table.time, [name for name in table.key if name not in ("site", table.time)]
    ranges = [file.range(str(time)) for file in files]
    if time not in table.key or not all(ranges) or any(len({file.only(n) for file in files}) > 1 for n in others):
        return None
    if any(file.only(name) is None for file in files[:1] for name in others):
        return None
    spans = sorted(
        (file.sites, *(span or ()), place) for place, (file, span) in enumerate(zip(files, ranges, strict=True))
    )
    apart = all(before[0] < after[0] or before[2] < after[1] for before, after in pairwise(spans))
    return [files[span[3]] for span in spans] if apart else None


def _to_join(files: Sequence[SelectedFile], revisions: pd.DataFrame | None) -> list[str]:
    """Name the columns by which rows find their gauging; the id alone where nothing was ever revised."""
    if revisions is None:
        return []
    first = bool((revisions["revision"] == 1).all()) and all(file.range("revision") == (1, 1) for file in files)
    return GAUGING[:1] if first else GAUGING


def _cuts(files: Sequence[SelectedFile], span: Span) -> bool:
    """Return whether some file may hold rows on both sides of an end of a span."""
    name, low, high = span
    ranges = [file.range(name) for file in files]
    inside = [one and (low is None or one[0] >= low) and (high is None or one[1] < high) for one in ranges]
    return not all(inside)


def _inside(part: pa.Table, spans: Sequence[Span]) -> pa.Table:
    for name, low, high in spans:
        type_ = part.schema.field(name).type
        if low is not None:
            part = part.filter(pc.greater_equal(part[name], pa.scalar(low, type_)))
        if high is not None:
            part = part.filter(pc.less(part[name], pa.scalar(high, type_)))
    return part


def _of(part: pa.Table, revisions: pd.DataFrame) -> pa.Table:
    """Keep the rows of some revisions of gaugings."""
    if "revision" in part.column_names and not revisions["gauging_id"].is_unique:
        mine = pd.MultiIndex.from_frame(part.select(GAUGING).to_pandas())
        return part.filter(
            pa.array(mine.isin(pd.MultiIndex.from_frame(revisions[GAUGING].astype({"revision": "int64"}))))
        )
    known = pa.array(revisions["gauging_id"], pa.string())
    ids = part["gauging_id"].unify_dictionaries().combine_chunks()
    at = pc.index_in(ids.dictionary, value_set=known).take(ids.indices)
    mask = pc.is_valid(at)
    if "revision" in part.column_names:
        standing = pa.array(revisions["revision"].to_numpy(dtype="int64")).take(at)
        mask = pc.fill_null(pc.equal(part["revision"], standing), fill_value=False)
    return part if pc.all(mask).as_py() in (True, None) else part.filter(mask)


def _follow(parts: Sequence[pa.Table], order: Sequence[str]) -> bool:
    """Return whether parts, each in order, are in order together."""
    ends = [(_cells(part, 0, order), _cells(part, len(part) - 1, order)) for part in parts]
    return all(before[1] <= after[0] for before, after in pairwise(ends))


def _cells(part: pa.Table, row: int, names: Sequence[str]) -> list[tuple[bool, Any]]:
    """Return the cells of a row so that they compare as they are sorted, with missing cells last."""
    values = [part[name][row].as_py() for name in names]
    return [(value is None, 0 if value is None else value) for value in values]


def _check_gaugings(rows: pd.DataFrame, known: Sequence[str] | None) -> None:
    for one in known or ():
        if one not in set(rows["gauging_id"]):
            msg = f"expected the id of a gauging in this archive, found {one!r}; gaugings() names them in gauging_id"
            raise QueryError(msg)


def _check_instrument(archive: Archive, question: Question) -> None:
    """Refuse an instrument that the archive does not know."""
    wanted = (question.where or {}).get("instrument", ()) or (question.of_gauging or {}).get("instrument", ())
    if not wanted or "instruments" not in archive.tables():
        return
    known = sorted(set(archive.read("instruments", columns=["instrument"])["instrument"]))
    for one in wanted:
        if one not in known:
            msg = f"instrument: expected one of {', '.join(known)}; found {one!r}"
            raise QueryError(msg)
