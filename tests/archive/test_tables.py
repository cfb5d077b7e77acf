"""Frames to Parquet and back: described by the schemas, the same bytes every time, readable by others."""

from __future__ import annotations

import contextlib
import json

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stillwell.archive.tables.parquet_bytes import to_parquet
from stillwell.archive.tables.table_files import arrow_schema_from, read_files, table_files
from stillwell.errors import ArchiveDamaged, ArchiveError
from stillwell.fingerprint import sha256
from stillwell.schemas import ARCHIVE_TABLES, SCHEMA_VERSION
from stillwell.schemas.derive import columns, key_names, table_schema
from stillwell.schemas.validation import pandera_schema


def stored(folder, name, frame, commit=1):
    """Write table files into a folder and return their paths."""
    paths = []
    for path, data, _ in table_files(name, frame, commit):
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(data)
        paths.append(folder / path)
    return paths


@pytest.mark.parametrize("name", ARCHIVE_TABLES)
def test_what_a_file_says_of_itself_is_derived_from_its_schema(rows, name):
    """Types, nullability, unit, names, words, key and version of every table, read back from the file."""
    model = ARCHIVE_TABLES[name]
    ((_, data, _),) = table_files(name, rows(name, 2), 7)
    schema = pq.read_schema(pa.BufferReader(data))
    types = {
        "text": "string",
        "number": "double",
        "count": "int64",
        "flag": "bool",
        "time": "timestamp[us, tz=UTC]",
    }

    for column, field in zip(columns(model), schema, strict=True):
        notes = {key.decode(): value.decode() for key, value in (field.metadata or {}).items()}
        assert (column.name, types[column.kind], not column.required) == (
            field.name,
            str(field.type),
            field.nullable,
        )
        assert (column.units, column.standard_name) == (notes.get("units"), notes.get("standard_name"))
        assert column.description == notes["long_name"]
        assert (", ".join(column.words) if column.words else None) == notes.get("words")
    said = {key.decode(): value.decode() for key, value in schema.metadata.items()}
    assert (name, SCHEMA_VERSION, "UTC", "7") == tuple(
        said[f"archive:{key}"] for key in ("schema_id", "schema_version", "time_zone", "commit")
    )
    assert key_names(model) == said["archive:key"].split(",")
    assert table_schema(name, model, SCHEMA_VERSION)["fields"] == json.loads(said["archive:columns"])


@pytest.mark.parametrize("name", ARCHIVE_TABLES)
def test_every_table_comes_back_as_its_model_wants_it(rows, tmp_path, name):
    """Values, missing ones and dtypes survive; the model accepts what is read; also with no row at all."""
    frame = rows(name, 3)
    for column in columns(ARCHIVE_TABLES[name]):
        if not column.required:
            frame.loc[1, column.name] = pd.NA if column.kind in ("count", "flag") else None
    paths = stored(tmp_path, name, frame)
    read = read_files(paths)
    empty = read_files([], schema=arrow_schema_from(table_schema(name, ARCHIVE_TABLES[name], "1.0")))

    pandera_schema(ARCHIVE_TABLES[name]).validate(read)
    assert dict(frame.dtypes) == dict(read.dtypes) == dict(empty.dtypes)
    assert list(frame.columns) == list(empty.columns)
    order = key_names(ARCHIVE_TABLES[name])
    pd.testing.assert_frame_equal(
        frame.sort_values(order).reset_index(drop=True), read.sort_values(order).reset_index(drop=True)
    )


def test_one_file_per_site_and_rows_in_order_of_key(rows):
    """Each site has its own file, named by commit and digest, its rows sorted by key whatever came in."""
    frame = rows(
        "verticals",
        6,
        site=["b", "a c", "b", "a c", "b", "b"],
        gauging_id=["g2", "g1", "g1", "g1", "g1", "g2"],
    )
    frame["vertical"] = pd.array([2, 2, 2, 1, 1, 1], dtype="Int64")

    files = table_files("verticals", frame, 12)

    assert [p.rsplit("/", 1)[0] for p, _, _ in files] == [
        "tables/verticals/site=a%20c",
        "tables/verticals/site=b",
    ]
    for path, data, listed in files:
        assert path.endswith(f"/00000012-{sha256(data)[:12]}.parquet")
        assert (path, len(data), sha256(data), "verticals") == (
            listed.path,
            listed.size,
            listed.sha256,
            listed.table,
        )
    assert [(listed.site, listed.rows) for _, _, listed in files] == [("a c", 2), ("b", 4)]
    second = pq.read_table(pa.BufferReader(files[1][1])).to_pylist()
    assert [(r["gauging_id"], r["vertical"]) for r in second] == [("g1", 1), ("g1", 2), ("g2", 1), ("g2", 2)]


def test_a_table_without_sites_is_one_file(rows):
    """Deposits know no site."""
    ((path, _, listed),) = table_files("deposits", rows("deposits", 3), 1)

    assert path.startswith("tables/deposits/00000001-")
    assert (listed.site, listed.rows) == ("", 3)


def test_no_rows_no_file(rows):
    """An empty frame writes nothing."""
    assert table_files("points", rows("points", 0), 1) == []


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(range(8)))
def test_the_same_rows_give_the_same_bytes(rows, order):
    """Whatever order the rows come in."""
    frame = rows("verticals", 8, site=["a", "b"] * 4)
    shuffled = frame.iloc[list(order)].reset_index(drop=True)

    assert table_files("verticals", frame, 1) == table_files("verticals", shuffled, 1)


def test_settings_for_the_long_term(rows):
    """zstd, format 2.6, page checksums and page index, dictionaries for words only."""
    ((_, data, _),) = table_files("points", rows("points", 200), 1)
    meta = pq.ParquetFile(pa.BufferReader(data)).metadata
    group = meta.row_group(0)
    chunks = {group.column(i).path_in_schema: group.column(i) for i in range(group.num_columns)}

    assert meta.format_version == "2.6"
    assert {"ZSTD"} == {chunk.compression for chunk in chunks.values()}
    assert "RLE_DICTIONARY" in chunks["site"].encodings
    assert "RLE_DICTIONARY" not in chunks["depth_m"].encodings
    assert all(chunk.has_offset_index and chunk.has_column_index for chunk in chunks.values())


def test_a_flipped_bit_that_decodes_all_the_same_is_refused(rows, tmp_path):
    """Page checksums are looked at: a flip that only changes a value, and no decoder minds, is refused."""
    frame = rows("points", 200, depth_m=list(np.random.default_rng(7).random(200)))
    (path,) = stored(tmp_path, "points", frame)
    data = path.read_bytes()
    group = pq.ParquetFile(path).metadata.row_group(0)
    column = next(c for c in map(group.column, range(group.num_columns)) if c.path_in_schema == "depth_m")
    page = range(column.data_page_offset, column.data_page_offset + column.total_compressed_size)
    silent = []
    for where in page[-200::20]:
        flipped = data[:where] + bytes([data[where] ^ 4]) + data[where + 1 :]
        with contextlib.suppress(OSError, pa.ArrowException):
            read = pq.ParquetFile(pa.BufferReader(flipped), page_checksum_verification=False).read()
            silent += [flipped] if not read.equals(pq.read_table(path)) else []
        path.write_bytes(flipped)
        with pytest.raises(ArchiveDamaged, match="as it was written"):
            read_files([path])
        path.write_bytes(data)

    assert silent


@pytest.mark.parametrize("data", [b"", b"PAR1", b"depth_m\n0.5\n", None])
def test_a_file_that_is_no_table_is_said_in_words(tmp_path, data):
    """Empty, cut, foreign or missing."""
    path = tmp_path / "x.parquet"
    if data is not None:
        path.write_bytes(data)

    with pytest.raises(ArchiveDamaged, match=r"x\.parquet: expected a table file"):
        read_files([path])


def test_a_frame_unlike_its_schema_is_refused(rows):
    """Missing, unknown, reordered, mistyped columns and empty required cells are refused by name."""
    good = rows("gauge_heights", 2)
    bad = {
        r"missing \['site'\]": good.drop(columns="site"),
        r"unknown \['note'\]": good.assign(note="x"),
        "in their order": good[list(reversed(good.columns))],
        "gauge_height_m: expected float64, found Int64": good.assign(gauge_height_m=pd.array([1, 2], dtype="Int64")),
        "read_at: expected datetime64": good.assign(read_at="2025-05-01T08:00Z"),
        "read_at: expected datetime64.*found datetime64.ns": good.assign(read_at=good["read_at"].dt.as_unit("ns")),
        "site: expected a value, found none in row 1": good.assign(site=pd.Series(["a", None], dtype="str")),
    }
    for words, frame in bad.items():
        with pytest.raises(ArchiveError, match=f"table gauge_heights.*{words}.*nothing"):
            table_files("gauge_heights", frame, 1)


def test_missing_is_null_and_zero_is_zero(rows, tmp_path):
    """A missing number is a null, neither NaN nor zero; a negative velocity keeps its sign."""
    frame = rows("points", 3)
    frame["velocity_m_s"] = [np.nan, 0.0, -0.25]
    (path,) = stored(tmp_path, "points", frame)

    assert pq.read_table(path)["velocity_m_s"].to_pylist() == [None, 0.0, -0.25]


def test_duckdb_and_pandas_read_the_folders(rows, tmp_path):
    """Others read a table by glob or folder, with nothing of ours; a site like a number stays text."""
    frame = rows("gaugings", 4, site=["1001", "1001", "älv ö", "älv ö"])
    stored(tmp_path, "gaugings", frame)
    stored(tmp_path, "gaugings", rows("gaugings", 1, site="1001"), commit=2)

    counted = duckdb.sql(
        f"SELECT site, count(*) FROM '{tmp_path}/tables/gaugings/**/*.parquet' GROUP BY site ORDER BY site"
    ).fetchall()
    folder = pd.read_parquet(tmp_path / "tables" / "gaugings", partitioning=None)

    assert counted == [("1001", 3), ("älv ö", 2)]
    assert folder["site"].value_counts().to_dict() == {"1001": 3, "älv ö": 2}


def test_only_the_columns_asked_for_in_their_order(rows, tmp_path):
    """Columns are read alone."""
    paths = stored(tmp_path, "points", rows("points", 2))

    assert list(read_files(paths, ["depth_m", "site"]).columns) == ["depth_m", "site"]


def test_a_column_added_later_is_missing_in_older_files(rows, tmp_path):
    """A file of an older minor version is read with the columns of today."""
    frame = rows("points", 2)
    (new,) = stored(tmp_path, "points", frame)
    table = pq.read_table(new)
    old = tmp_path / "old.parquet"
    old.write_bytes(to_parquet(table.drop_columns(["snr_db", "spikes"])))

    read = read_files([old, new], schema=table.schema)

    assert list(read["snr_db"].isna()) == [True, True, False, False]
    assert dict(frame.dtypes) == dict(read.dtypes)
    assert list(frame.columns) == list(read.columns)


def test_many_files_read_in_the_order_given(rows, tmp_path):
    """Reading on several threads changes no order."""
    paths = [p for c in range(1, 40) for p in stored(tmp_path, "reviews", rows("reviews", 1, by=f"p{c}"), c)]

    assert [f"p{c}" for c in range(1, 40)] == list(read_files(paths)["by"])


def test_a_table_file_says_where_its_pages_lie():
    """Every column of every group of rows has an index of its pages, so that a reader need not read them all."""
    frame = pa.table({"site": ["a", "b", "c"], "stage_m": [1.0, 2.0, 3.0]})
    meta = pq.ParquetFile(pa.BufferReader(to_parquet(frame, 2))).metadata
    assert [meta.row_group(i).num_rows for i in range(meta.num_row_groups)] == [2, 1]
    columns_of = [meta.row_group(i).column(j) for i in range(2) for j in range(2)]
    assert all(column.has_offset_index and column.has_column_index for column in columns_of)
