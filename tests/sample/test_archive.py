"""The archive of the invented season: made again the same, as was expected of it, and near the truth."""

from __future__ import annotations

import csv
import re
from io import BytesIO
from pathlib import Path

import duckdb
import netCDF4
import numpy as np
import pandas as pd
import pytest

from sample_archive.make_archive import make_archive
from stillwell.archive.archive import Archive
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import inbox, ingest

ROOT = Path(__file__).resolve().parents[2] / "sample_archive"
MOST_BYTES = 6_000_000
KNOWN_THEN = ["recorded_at", "check_before", "check_after"]
"""Columns that say when, and which checks of the meter were known then."""


def _rows(name):
    lines = [line for line in (ROOT / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def _files(root):
    return {
        p.relative_to(root).as_posix(): p.read_bytes() for p in root.rglob("*") if p.is_file() and p.parts[-2] != "work"
    }


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Make the archive again."""
    root = tmp_path_factory.mktemp("sample") / "archive"
    make_archive(root)
    return root


def test_made_again_it_is_the_same(made):
    """Deposits, order, clock and software make the archive: every byte but the last digits of computed numbers."""
    kept, again = _files(ROOT / "archive"), _files(made)
    assert sum(map(len, kept.values())) < MOST_BYTES
    names = {_undigested(path): path for path in again}
    assert {_undigested(path) for path in kept} == set(names)
    for path, data in kept.items():
        other = again[names[_undigested(path)]]
        if data != other:  # another processor made it
            assert _same(path, data, other), path


def _undigested(text):
    """Leave out digests and sizes, which follow from bytes."""
    text = re.sub(r"[0-9a-f]{64}|-[0-9a-f]{12}\.parquet", "", text)
    return re.sub(r'"(size|bytes)":[0-9]+|"",[0-9]+(?=\])', "", text)


def _same(path, data, other):
    if path.endswith(".parquet"):
        pd.testing.assert_frame_equal(
            *(pd.read_parquet(BytesIO(part)) for part in (data, other)), rtol=1e-11, atol=1e-13
        )
        return True
    if path.endswith(".nc"):
        with netCDF4.Dataset("one", memory=data) as one, netCDF4.Dataset("two", memory=other) as two:
            assert list(one.variables) == list(two.variables)
            for name in one.variables:
                a, b = one[name][...], two[name][...]
                kind = np.asarray(a).dtype.kind
                np.testing.assert_allclose(a, b, rtol=2e-7) if kind == "f" else np.testing.assert_array_equal(a, b)
        return True
    parts = [sorted(re.split("[{}]", _undigested(part.decode()))) for part in (data, other)]  # files lie by digest
    return path.startswith("ledger/") and parts[0] == parts[1]


def test_the_kept_archive_is_sound():
    """The audit of the archive as kept finds nothing."""
    assert audit(ROOT / "archive").faults == ()


def test_each_gauging_becomes_what_was_expected(made):
    """What is taken, unchanged, revised, clashing or returned is as was written down beforehand."""
    archive = Archive(made)
    deposits = archive.read("deposits").set_index("name")
    expected = _rows("expected.csv")
    for name in {row["deposit"] for row in expected}:
        mine = [row["outcome"] for row in expected if row["deposit"] == name and row["gauging"]]
        taken = mine.count("taken") + mine.count("revision 2")
        assert deposits.loc[name, "gaugings_taken"] == taken, name
        assert deposits.loc[name, "gaugings_unchanged"] == mine.count("unchanged"), name
    returned = {(r["deposit"], r["gauging"]) for r in expected if r["outcome"] == "returned" and r["gauging"]}
    labels = {(archive_name, label) for archive_name, label in _returned_labels(made)}
    assert returned <= labels


def _returned_labels(root):
    import json

    for path in sorted((root / "returned").glob("*.json")):
        page = json.loads(path.read_text(encoding="utf-8"))
        for reason in page["reasons"]:
            yield page["name"], reason["gauging"]


def test_discharge_comes_near_the_truth(made):
    """Against the river the season was made of, half the gaugings lie within 2 % and all sound ones within 10 %."""
    standing = Archive(made).standing("gaugings").set_index("gauging_id")
    errors = {}
    for row in _rows("truth.csv"):
        if row["with_points"] != "yes" or row["archive_id"] not in standing.index:
            continue
        truth, found = float(row["true_discharge_m3_s"]), standing.loc[row["archive_id"], "discharge_m3_s"]
        errors[row["archive_id"]] = 100 * abs(found - truth) / truth
    assert len(errors) > 40
    assert np.median(list(errors.values())) < 2
    assert max(errors.values()) < 10


@pytest.mark.parametrize("at_once", [5, pytest.param(1, marks=pytest.mark.soak)])
def test_one_batch_or_deposit_by_deposit_gives_the_same_numbers(made, tmp_path, at_once):
    """What a gauging comes to does not depend on the gaugings beside it, to the last bit."""
    root, paths = tmp_path / "archive", inbox(ROOT / "inbox")
    assert len(paths) > 10
    for first in range(0, len(paths), at_once):
        ingest(root, paths[first : first + at_once], by="T1", render_now=False)
    for table in ("gaugings", "verticals"):
        one, other = Archive(made).standing(table), Archive(root).standing(table)
        key = [name for name in ("gauging_id", "vertical") if name in one]
        one, other = (
            rows.sort_values(key).drop(columns=KNOWN_THEN, errors="ignore").reset_index(drop=True)
            for rows in (one, other)
        )
        assert one.equals(other)


def test_duckdb_reads_the_tables_by_glob():
    """A stranger's DuckDB reads a table's folder as it is and finds the units in the files."""
    glob = str(ROOT / "archive" / "tables" / "gaugings" / "**" / "*.parquet")
    count, sites = duckdb.sql(
        f"SELECT count(*), count(DISTINCT site) FROM read_parquet('{glob}', hive_partitioning = false)"
    ).fetchall()[0]
    assert (count, sites) == (len(Archive(ROOT / "archive").read("gaugings")), 4)
    keys = duckdb.sql(f"SELECT decode(key), decode(value) FROM parquet_kv_metadata('{glob}')").fetchall()
    described = next(value for key, value in keys if key == "archive:columns")
    assert '"unit":"m3 s-1"' in described
