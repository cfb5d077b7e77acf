"""Long files: rows that are lines are read as the careful reader reads them, and a shared text is held once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from stillwell.archive.tables.parquet_bytes import to_parquet
from stillwell.archive.tables.table_files import arrow_schema
from stillwell.intake.readers import csv_text, quoted_csv
from stillwell.intake.readers.csv_text import read_csv
from stillwell.intake.values.constant import AT_ONCE, missing, only_value, repeated, taken
from stillwell.prepare.register_rows import sort_codes

ROW = "S1,radar,2025-01-01T00:00Z,1.25"
FILES = {
    "plain": f"site,sensor,time,stage_m\n{ROW}\n{ROW}",
    "quoted": 'site,"sensor",time,"stage_m"\n"S1","a, b",2025-01-01T00:00Z,""\n"S2",,x,"3"\n',
    "spaces": f"site , sensor,time,stage_m\n S1\u00a0,\tb , x ,1\n{ROW}\n",
    "blank lines": f"\n  \nsite,sensor,time,stage_m\n\n{ROW}\n\n,,,\n{ROW}\n\n",
    "line ends": f"site,sensor,time,stage_m\r\n{ROW}\r\n\r\n{ROW}\r\n",
    "byte order mark": f"\ufeffsite,sensor,time,stage_m\n{ROW}\n",
    "other letters": "site;sensor;time;stage_m\nPöls;ü;x;1,5\n",
    "header alone": "site,sensor,time,stage_m\n",
    "one column": "site\nS1\n\nS2\n",
}


@pytest.mark.parametrize("name", FILES)
def test_lines_are_read_at_once_as_they_are_read_one_by_one(name, monkeypatch):
    """Both readers give the same header, cells, lines and remarks, and the quick one takes every such file."""
    data = FILES[name].encode()
    with monkeypatch.context() as patched:
        patched.setattr(csv_text, "_read_quoted", None)
        quick = read_csv(data)
    monkeypatch.setattr(csv_text, "_read_lines", lambda *_: None)
    monkeypatch.setattr(quoted_csv, "ROWS_AT_ONCE", 1)
    careful = read_csv(data)
    assert (quick.header, quick.notes, quick.delimiter) == (careful.header, careful.notes, careful.delimiter)
    assert [column.to_pylist() for column in quick.cells] == [column.to_pylist() for column in careful.cells]
    assert quick.lines.tolist() == careful.lines.tolist()


@pytest.mark.parametrize("name", ["a,b\n1\n", 'a,b\n1,"2\n3"\n', 'a,b\n1,"2""3"\n', "a,b\r1,2\r"])
def test_other_files_are_left_to_the_careful_reader(name, monkeypatch):
    """A row of another length, quotes inside cells or over lines, and lone carriage returns are never read quickly."""
    monkeypatch.setattr(csv_text, "_read_quoted", lambda *_: "careful")
    assert read_csv(name.encode()) == "careful"


def _rows() -> pd.DataFrame:
    size = AT_ONCE + 5
    return pd.DataFrame(
        {
            "same": repeated(["deposit"], [size]),
            "none": missing("text", size),
            "two": repeated(["a", "b"], [size - 1, 1]),
            "number": np.arange(size, dtype=float),
            "count": pd.array(np.arange(size), dtype="Int64"),
            "time": pd.to_datetime(np.arange(size), unit="s", utc=True).as_unit("us"),
        }
    )


@pytest.mark.parametrize("which", ["flags", "places", "none", "all"])
def test_rows_are_taken_as_pandas_takes_them(which):
    """The rows, their types and their index are those of ``iloc``; a text that all rows share stays in pieces."""
    rows = _rows()
    flags = np.arange(len(rows)) % 3 == 1
    wanted = {"flags": flags, "places": np.flatnonzero(flags)[::-1], "none": flags & False, "all": flags | True}[which]
    found = taken(rows, wanted)
    pd.testing.assert_frame_equal(found, rows.iloc[wanted])
    assert only_value(found["same"]) is not None or found.empty


def test_a_text_that_all_rows_share_is_told_from_others():
    """One text, or none at all, in every row; not two, not a text and nothing, and no column of numbers."""
    rows = _rows()
    said = {name: only_value(rows[name]) for name in rows}
    assert {name: None if cell is None else cell[0].as_py() for name, cell in said.items()} == dict.fromkeys(
        rows.columns
    ) | {"same": "deposit"}
    assert said["none"] is not None
    assert said["two"] is None
    assert only_value(pd.Series(["a", None], dtype="str")) is None


def test_numbers_that_sort_as_a_column_does():
    """Texts, times, numbers and counts in order, what is missing last, as pandas sorts them."""
    columns = [
        pd.Series(["b", None, "ä", "a", "b"], dtype="str"),
        pd.Series([2.5, np.nan, -1.0, 0.0, 2.5]),
        pd.Series([3, None, 1, 2, 3], dtype="Int64"),
        pd.Series(pd.to_datetime(["2025-01-02", None, "1969-01-01", "2025-01-01", "2025-01-02"], utc=True)),
    ]
    for values in columns:
        codes = sort_codes(values)
        assert np.argsort(codes, kind="stable").tolist() == values.sort_values(kind="stable").index.tolist()
    assert sort_codes(pd.Series(["a", "a"], dtype="str")) is None


def test_a_table_in_pieces_is_the_same_file():
    """Bytes do not depend on how a table came in pieces, nor on a text being written out."""
    size = 3 * AT_ONCE
    schema = arrow_schema("stage")
    text = {name: pa.array(["abc"] * size) for name in schema.names if pa.types.is_string(schema.field(name).type)}
    rest = {name: pa.nulls(size, schema.field(name).type) for name in schema.names if name not in text}
    numbers = {"stage_m": pa.array(np.arange(size) / 7), "row_line": pa.array(np.arange(size))}
    columns = text | rest | numbers
    plain = pa.schema([field.with_nullable(True) for field in schema])
    whole = pa.Table.from_arrays([columns[name] for name in schema.names], schema=plain)
    parts = pa.concat_tables([whole.slice(at, 1000) for at in range(0, size, 1000)])
    assert to_parquet(parts) == to_parquet(whole)
