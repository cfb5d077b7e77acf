"""What is downloaded is what the archive holds."""

from __future__ import annotations

import io

import netCDF4
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.tables.table_files import arrow_schema_from
from stillwell.pages import urls
from stillwell.pages.data.archive_view import ArchiveViews
from stillwell.room.rows import Wanted, select
from tests.room.conftest import SAMPLE, archive_of, deposit, opened

TABLES = Archive(SAMPLE).tables()
TEXTS = {"sheet_number": str, "row_file": str, "serial": str, "visit": str, "label": str, "within_pct": str}


def _expected(table, **equal):
    rows = Archive(SAMPLE).standing(table)
    for name, value in equal.items():
        rows = rows[rows[name] == value]
    key = ArchiveViews(SAMPLE).view().description(table)["primaryKey"]
    order = [c for c in dict.fromkeys(["site", *key, "revision", "recorded_at"]) if c in rows]
    return rows.sort_values(order, kind="stable", na_position="last").reset_index(drop=True)


@pytest.mark.parametrize("table", TABLES)
def test_parquet_is_what_stands(room, table):
    """The Parquet of each table holds the rows that stand, value for value, with units in the metadata."""
    found = pq.read_table(io.BytesIO(room.get(f"/download/{table}.parquet").content))
    expected = _expected(table)
    assert found.column_names == list(expected.columns)
    frame = found.to_pandas(types_mapper={found.schema.field(0).type: None}.get)
    for name in expected:
        left, right = expected[name].astype(object), frame[name].astype(object)
        assert left.isna().tolist() == right.isna().tolist(), name
        assert left[left.notna()].tolist() == right[right.notna()].tolist(), name
    if table == "gaugings":
        assert found.schema.field("discharge_m3_s").metadata[b"units"] == b"m3 s-1"


@pytest.mark.parametrize("table", ["sites", "gaugings", "verticals", "findings", "checks", "gauge_heights"])
def test_csv_is_what_stands(room, table):
    """The CSV of a table holds the same numbers to the last digit, and texts, an apostrophe before a formula aside."""
    frame = pd.read_csv(
        io.BytesIO(room.get(f"/download/{table}.csv").content), keep_default_na=False, na_values=[""], dtype=TEXTS
    )
    expected = _expected(table)
    assert list(frame.columns) == list(expected.columns)
    for name in expected:
        if expected[name].dtype == "float64":
            np.testing.assert_array_equal(frame[name].to_numpy("float64"), expected[name].to_numpy())
        elif str(expected[name].dtype) == "str":
            texts = ["" if pd.isna(text) else str(text).removeprefix("'") for text in frame[name].tolist()]
            assert texts == expected[name].fillna("").tolist()


@pytest.mark.parametrize("table", TABLES)
def test_netcdf_is_what_stands(room, table):
    """The NetCDF of a table holds the same rows; missing is the fill value; each number has its unit."""
    data = room.get(f"/download/{table}.nc").content
    expected = _expected(table)
    with netCDF4.Dataset("rows.nc", memory=data) as dataset:
        assert len(dataset.dimensions["row"]) == len(expected)
        for name in expected:
            values = dataset[name][:]
            kind = str(expected[name].dtype)
            if kind == "float64":
                np.testing.assert_array_equal(np.ma.filled(values, np.nan), expected[name].to_numpy())
            elif kind == "str":
                assert list(values) == expected[name].fillna("").tolist()
            elif kind.startswith("datetime"):
                known = expected[name].notna().to_numpy()
                moments = expected[name][known].astype("int64").to_numpy()
                np.testing.assert_array_equal(np.ma.filled(values, 0)[known], moments)
            else:
                known = expected[name].notna().to_numpy()
                np.testing.assert_array_equal(
                    np.ma.filled(values, 0)[known], expected[name][known].to_numpy(dtype="int64")
                )
        if table == "verticals":
            assert (dataset["depth_m"].units, dataset["depth_m"].long_name) == ("m", "depth from water surface to bed")


def test_downloads_follow_the_filters(room):
    """Rows asked for by site, gauging, code or time are exactly those."""
    findings = _expected("findings")
    gaugings = _expected("gaugings").set_index("gauging_id")
    since = pd.Timestamp("2025-05-01", tz="UTC")
    late = findings["gauging_id"].map(gaugings["started_at"]) >= since
    cases = {
        "site=INV-ORM": findings["site"] == "INV-ORM",
        "code=signal-low": findings["code"] == "signal-low",
        "code=signal-low&site=INV-WIN": (findings["code"] == "signal-low") & (findings["site"] == "INV-WIN"),
        "gauging_id=INV-WIN.20250813T170000Z.INV-AC2": findings["gauging_id"] == "INV-WIN.20250813T170000Z.INV-AC2",
        "datetime=2025-05-01/..": late,
        "datetime=2025-05-01/..&site=INV-ORM": late & (findings["site"] == "INV-ORM"),
    }
    for query, mask in cases.items():
        found = pd.read_csv(io.BytesIO(room.get(f"/download/findings.csv?{query}").content))
        expected = findings[mask]
        assert len(found) == len(expected) > 0, query
        assert found["message"].tolist() == expected["message"].tolist(), query


def test_both_ways_of_reading_agree():
    """Rows of a site read from its files alone are those the database finds among all."""
    view = ArchiveViews(SAMPLE).view()
    for table in ("gaugings", "findings", "verticals", "gauge_heights", "datums"):
        for every in (False, True):
            alone, count = select(view, Wanted(table, {"site": "INV-WIN"}, every=every))
            box = (-180.0, -90.0, 180.0, 90.0)
            among, all_of_it = select(view, Wanted(table, {"site": "INV-WIN"}, box=box, every=every))
            assert alone.schema.equals(arrow_schema_from(view.description(table)))
            assert (count, alone.to_pylist()) == (all_of_it, among.to_pylist())


def test_every_revision_can_be_had(room):
    """With revisions=all, superseded rows are given out too."""
    found = pq.read_table(io.BytesIO(room.get("/download/gaugings.parquet?revisions=all").content))
    assert len(found) == len(Archive(SAMPLE).read("gaugings"))
    assert len(found) > len(Archive(SAMPLE).standing("gaugings"))


def test_listed_files_are_given_out_as_written(room):
    """Each file that the ledger lists comes out byte for byte."""
    archive = Archive(SAMPLE)
    assert len(archive.listing()) > 10
    for path in archive.listing():
        assert room.get(urls.listed(path)).content == archive.document(path)


def test_a_formula_in_a_label_is_not_run_by_a_spreadsheet(tmp_path):
    """A text that a spreadsheet would run has an apostrophe before it in CSV, and is as handed in elsewhere."""
    root = archive_of(tmp_path / "archive", deposit(tmp_path / "in", "S1", "=1+1"))
    with opened(root) as room:
        assert "'=1+1" in room.get("/download/sites.csv").text
        assert pq.read_table(io.BytesIO(room.get("/download/sites.parquet").content))["name"].to_pylist() == ["=1+1"]


@pytest.mark.parametrize(
    "address", ["/download/findings.csv", "/download/findings.parquet", "/download/sites.nc", "file"]
)
def test_a_part_of_a_download_is_given_as_asked(room, address):
    """A range gives exactly those bytes with 206, one beyond the end 416, anything not understood the whole."""
    if address == "file":
        address = "/files/" + next(path for path in Archive(SAMPLE).listing() if path.endswith(".nc"))
    whole = room.get(address)
    size, tag = len(whole.content), whole.headers["etag"]
    assert whole.headers["accept-ranges"] == "bytes"
    assert tag.startswith('"')
    for asked, first, end in (
        ("bytes=0-0", 0, 1),
        ("bytes=10-19", 10, 20),
        (f"bytes={size - 3}-", size - 3, size),
        ("bytes=-7", size - 7, size),
        (f"bytes=5-{size + 100}", 5, size),
        (f"bytes=-{size + 5}", 0, size),
    ):
        part = room.get(address, headers={"range": asked})
        assert part.status_code == 206, asked
        assert part.headers["content-range"] == f"bytes {first}-{end - 1}/{size}"
        assert part.content == whole.content[first:end]
        assert part.headers["etag"] == tag
    for asked in (f"bytes={size}-", "bytes=-0"):
        beyond = room.get(address, headers={"range": asked})
        assert beyond.status_code == 416, asked
        assert beyond.headers["content-range"] == f"bytes */{size}"
    for asked in ("bytes=0-1,4-5", "lines=1-2", "bytes=x-", "bytes=-", "bytes=9-3"):
        assert room.get(address, headers={"range": asked}).content == whole.content
    for held, status in ((tag, 206), ('"another"', 200), ("Wed, 21 Oct 2015 07:28:00 GMT", 200)):
        assert room.get(address, headers={"range": "bytes=0-9", "if-range": held}).status_code == status
    assert room.get(address, headers={"if-none-match": tag}).status_code == 304
    head = room.head(address, headers={"range": "bytes=0-9"})
    assert (head.status_code, head.content) == (200, b"")
