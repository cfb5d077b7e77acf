"""Cells of text to numbers, counts, flags, words and times, a column at a time; what is none of them is told."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.values.constant import missing, repeated
from stillwell.intake.values.units import Unit, converted
from stillwell.intake.values.wall_times import (
    DAY_US,
    FIRST_YEAR,
    ISO,
    LAST_YEAR,
    MINUTE_US,
    microseconds,
    offset_text,
    read_walls,
)
from stillwell.schemas.base import Column

NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?$"
COUNT = r"^\+?[0-9]{1,15}(\.0*)?$"
OFFSET = r"(Z|z|[+-][0-9]{2}:?[0-9]{2}|[+-][0-9]{2})$"
TRUE, FALSE = ("true", "yes", "1"), ("false", "no", "0")
_TIME = re.compile(r"[0-9]{4}-?[0-9]{2}-?[0-9]{2}[T ][0-9]{2}(:?[0-9]{2}(:?[0-9]{2}([.,][0-9]+)?)?)?" + OFFSET)
_LATE = timedelta(hours=14)
_NOT_TEXT = r"[\x00-\x08\x0B\x0C\x0E-\x1F\x7F-\x9F\x{202A}-\x{202E}\x{2066}-\x{2069}]"
_NOT_CODE = (
    r"[\p{Cc}\p{Zl}\p{Zp}\x{AD}\x{61C}\x{200B}\x{200E}\x{200F}\x{202A}-\x{202E}\x{2060}-\x{206F}\x{FEFF}]"
    r"|^\.{1,2}$"
)

_FIRST_US, _END_US = (microseconds(datetime(year, 1, 1)) for year in (FIRST_YEAR, LAST_YEAR + 1))

Bad = NDArray[np.bool_]


def decimal_mark(columns: list[pa.StringArray], delimiter: str) -> str:
    """Say which decimal mark the number cells of a file use.

    Raises
    ------
    CannotRead
        If some use a comma and others a point, or a comma in a file separated by commas.
    """
    commas = sum(pc.sum(pc.match_substring(c, ",")).as_py() or 0 for c in columns)
    if not commas:
        return "."
    points = sum(pc.sum(pc.match_substring(c, ".")).as_py() or 0 for c in columns)
    if points:
        raise CannotRead("one decimal mark throughout", "some numbers with a comma and others with a point")
    if delimiter == ",":
        raise CannotRead("numbers with a decimal point", "numbers with a comma in a file separated by commas")
    return ","


def each_once(cells: pa.StringArray, read: Callable[[pa.StringArray], tuple[pd.Series, Bad]]) -> tuple[pd.Series, Bad]:
    """Read each different cell once, where most of them are alike.

    Parameters
    ----------
    cells : StringArray
    read : callable
        Reads cells, each by itself.

    Returns
    -------
    Series, array of bool
        As ``read`` returns them for all cells.
    """
    coded = cells.dictionary_encode()
    if cells.null_count or 2 * len(coded.dictionary) > len(cells):
        return read(cells)
    values, bad = read(coded.dictionary)
    if len(values) == 1 and values.dtype == "str":
        # a text that all rows share is held once
        whole = missing("text", len(cells)) if values.isna().all() else repeated(values.tolist(), [len(cells)])
        return whole, np.full(len(cells), bad[0])
    place = coded.indices.to_numpy()
    return values.take(place).reset_index(drop=True), bad[place]


def with_point(cells: pa.StringArray, mark: str) -> tuple[pa.StringArray, pa.BooleanArray]:
    """Write numbers with a decimal point; also say which cells are numbers written with the mark."""
    if mark == ".":
        return cells, pc.match_substring_regex(cells, NUMBER)
    plain = pc.replace_substring(cells, mark, ".")
    return plain, pc.and_(pc.match_substring_regex(plain, NUMBER), pc.invert(pc.match_substring(cells, ".")))


def numbers(cells: pa.StringArray, unit: Unit | None) -> tuple[NDArray[np.float64], Bad]:
    """Read numbers with a decimal point in SI; NaN where blank or no number."""
    cells, good = with_point(cells, ".")
    bad = flag_array(pc.invert(pc.or_(good, pc.equal(cells, ""))))
    plain = pc.if_else(good, cells, None)
    if unit is None:
        values = pc.cast(pc.replace_substring_regex(plain, r"^\+", ""), pa.float64())
        out = np.array(values.to_numpy(zero_copy_only=False), dtype="float64")
    else:
        coded = plain.dictionary_encode()
        table = np.array([converted(text, unit) for text in coded.dictionary.to_pylist()] + [np.nan])
        out = table[pc.fill_null(coded.indices, len(table) - 1).to_numpy(zero_copy_only=False)]
    bad |= np.isinf(out)
    return np.where(bad, np.nan, out), bad


def counts(cells: pa.StringArray) -> tuple[pd.Series, Bad]:
    """Read whole numbers; missing where blank or none."""
    good = pc.match_substring_regex(cells, COUNT)
    bad = flag_array(pc.invert(pc.or_(good, pc.equal(cells, ""))))
    whole = pc.replace_substring_regex(pc.if_else(good, cells, None), r"\..*$", "")
    values = pc.cast(pc.replace_substring_regex(whole, r"^\+", ""), pa.int64())
    return pd.Series(values.to_pandas(types_mapper={pa.int64(): pd.Int64Dtype()}.get)), bad


def flags(cells: pa.StringArray) -> tuple[pd.Series, Bad]:
    """Read true or false; missing where blank or neither."""
    low = pc.utf8_lower(cells)
    yes, no = pc.is_in(low, pa.array(TRUE)), pc.is_in(low, pa.array(FALSE))
    bad = flag_array(pc.invert(pc.or_(pc.or_(yes, no), pc.equal(cells, ""))))
    values = pd.Series(flag_array(yes), dtype="boolean")
    return values.mask(~flag_array(yes) & ~flag_array(no)), bad


def texts(cells: pa.StringArray, column: Column) -> tuple[pd.Series, Bad]:
    """Read words; those of a closed list whatever their case, which the schema then judges."""
    values = pc.if_else(pc.equal(cells, ""), None, cells)
    if column.words:
        low = pc.utf8_lower(values)
        place = pc.index_in(low, pa.array([word.lower() for word in column.words]))
        values = pc.coalesce(pc.take(pa.array(column.words), place), values)
    return pd.Series(values.to_pandas(), dtype="str"), _strange(cells, column)


def _strange(cells: pa.StringArray, column: Column) -> Bad:
    """Find texts that are too long, or would not be read as they are spelled."""
    if column.longest is None:
        return np.zeros(len(cells), dtype=bool)
    long = pc.greater(pc.utf8_length(cells), column.longest)
    never = _NOT_TEXT if column.text == "words" else _NOT_CODE
    return flag_array(pc.or_(long, pc.match_substring_regex(cells, never)))


def times(cells: pa.StringArray) -> tuple[pd.Series, pd.Series, Bad]:
    """Read times with their offset: UTC, the offset as given, and where a cell is no such time.

    Returns
    -------
    Series of datetime64[us, UTC], Series of str, array of bool
    """
    wall, minutes, known = read_walls(cells, ISO)
    known &= (wall >= _FIRST_US) & (wall < _END_US)
    utc = wall - minutes * MINUTE_US
    left = np.flatnonzero(~known & flag_array(pc.not_equal(cells, "")))
    coded = cells.take(pa.array(left)).dictionary_encode()
    read = np.array([_moment(text) for text in coded.dictionary.to_pylist()], dtype=np.int64).reshape(-1, 3)
    utc[left], minutes[left], known[left] = read[coded.indices.to_numpy()].T
    bad = np.zeros(len(cells), dtype=bool)
    bad[left] = ~known[left]
    offsets, place = np.unique(minutes, return_inverse=True)
    words = pa.array([offset_text(m) for m in offsets.tolist()])
    given = words.take(pa.array(place, mask=~known)) if len(words) else words
    moments = pd.DatetimeIndex(np.where(known, utc, 0).view("datetime64[us]"), tz="UTC")
    return pd.Series(moments).mask(~known), pd.Series(given.to_pandas(), dtype="str"), bad


def _moment(text: str) -> tuple[int, int, bool]:
    """Read a time: microseconds since 1970 in UTC, offset in minutes, and whether it is one."""
    if not _TIME.fullmatch(text):
        return 0, 0, False
    late = re.sub(r"([T ])24(:?00(:?00([.,]0+)?)?)?(?=Z|z|[+-])", r"\g<1>00\g<2>", text)
    try:
        moment = datetime.fromisoformat(late.replace(",", ".").upper())
    except ValueError:
        return 0, 0, False
    offset = moment.utcoffset()
    if offset is None or abs(offset) > _LATE or not FIRST_YEAR <= moment.year <= LAST_YEAR:
        return 0, 0, False
    utc = microseconds(moment) - microseconds(datetime(1970, 1, 1) + offset) + int(late != text) * DAY_US
    return utc, round(offset.total_seconds() / 60), True


def flag_array(values: pa.BooleanArray) -> Bad:
    """Turn flags into an array that can be written to."""
    return np.array(values.to_numpy(zero_copy_only=False), dtype=bool)
