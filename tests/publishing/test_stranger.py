"""A stranger with pandas, xarray and DuckDB alone answers who, where, when, how, how sure, and may I reuse it."""

from __future__ import annotations

import duckdb
import numpy as np
import pandas as pd
import pytest
import xarray as xr

# mid-section by hand: panels of 1 m, depths 0.3 0.5 0.6 0.5 0.3 m, 0.4 m/s throughout (algebra)
DISCHARGE = (0.3 + 0.5 + 0.6 + 0.5 + 0.3) * 0.4


@pytest.fixture
def data(told):
    """Return the payload folder, which is all a stranger has."""
    return told.path / "data"


def test_pandas_answers(data):
    """Who measured, where, when, how, how sure, and under which licence: all in two tables."""
    gaugings = pd.read_parquet(data / "tables" / "gaugings.parquet")
    sites = pd.read_parquet(data / "tables" / "sites.parquet").set_index("site")
    first = gaugings.sort_values("started_at").iloc[0]
    assert (first["party"], sites.loc[first["site"], "owner"]) == ("P1", "Invented Trust")
    assert tuple(sites.loc[first["site"], ["name", "latitude", "longitude"]]) == ("Alder Ford (invented)", 47.5, -29.5)
    assert first["started_at"] == pd.Timestamp("2025-05-01T10:00Z")
    assert (first["method"], first["section_method"], first["instrument"]) == ("wading verticals", "mid-section", "M1")
    assert first["discharge_m3_s"] == pytest.approx(DISCHARGE)
    assert first["uncertainty_table_pct"] > 0
    assert (first["status"], gaugings["status"].tolist().count("provisional")) == ("approved", 3)
    assert sites.loc[first["site"], "licence"] == "CC0-1.0"


def test_duckdb_answers(data):
    """One question joins result, place, uncertainty, findings and licence; the panels add up to the result."""
    rows = duckdb.sql(
        f"""
        SELECT g.gauging_id, s.name, g.discharge_m3_s, g.uncertainty_scatter_m3_s IS NOT NULL, s.licence,
               (SELECT sum(v.discharge_m3_s) FROM '{data}/tables/verticals.parquet' v
                WHERE v.gauging_id = g.gauging_id AND v.revision = g.revision),
               (SELECT count(*) FROM '{data}/tables/findings.parquet' f WHERE f.gauging_id = g.gauging_id)
        FROM '{data}/tables/gaugings.parquet' g JOIN '{data}/tables/sites.parquet' s USING (site) ORDER BY 1
        """
    ).fetchall()
    assert len(rows) == 4
    for _, name, discharge, sure, licence, summed, findings in rows:
        assert (name, sure, licence) == ("Alder Ford (invented)", True, "CC0-1.0")
        assert discharge == pytest.approx(DISCHARGE)
        assert summed == pytest.approx(DISCHARGE)
        assert findings > 0
    units = duckdb.sql(
        f"SELECT decode(value) FROM parquet_kv_metadata('{data}/tables/gaugings.parquet') "
        "WHERE decode(key) = 'archive:columns'"
    ).fetchall()
    assert '"unit":"m3 s-1"' in units[0][0]


def test_xarray_answers(data):
    """The NetCDF file says the same: place, time, discharge with unit and uncertainty, status, licence."""
    (path,) = (data / "netcdf").rglob("*.nc")
    gaugings = pd.read_parquet(data / "tables" / "gaugings.parquet").sort_values("started_at")
    with xr.open_dataset(path) as file:
        np.testing.assert_array_equal(file["discharge"], gaugings["discharge_m3_s"])
        np.testing.assert_array_equal(file["discharge_uncertainty_tables"], gaugings["uncertainty_table_m3_s"])
        assert file["discharge"].attrs["units"] == "m3 s-1"
        assert set(file["lat"].values.ravel()) == {47.5}
        assert file["gauging_time"].dt.day.values.tolist() == [1, 3, 4, 5]
        assert file.attrs["license"] == "https://spdx.org/licenses/CC0-1.0"
        assert file.attrs["creator_name"] == "Invented Trust"
        meanings = file["discharge_status"].attrs["flag_meanings"].split()
        assert [meanings[int(v) - 1] for v in file["discharge_status"]] == ["approved", *["provisional"] * 3]


def test_the_readme_answers(data):
    """Every question has its heading, and the caution stands."""
    text = (data / "README.txt").read_text(encoding="utf-8")
    for heading in ("WHO, WHERE, WHEN", "\nHOW\n", "HOW SURE", "MAY I REUSE IT", "WHAT WAS LEFT OUT", "HOW TO READ"):
        assert heading in text
    assert "S1: Alder Ford (invented), river Alder (invented)" in text
    assert "at 47.5, -29.5; owner Invented Trust; licence CC0-1.0" in text
    assert "4 gaugings from 2025-05-01 to 2025-05-05, discharge 0.88 to 0.88 m3/s" in text
    assert "provisional 3, approved 1" in text
    assert "Nothing here says that a stream may be waded." in text
    assert "it is no DOI, and none has been assigned here" in text
    assert max(map(len, text.splitlines())) < 125


def test_the_examples_of_the_readme_run(data, monkeypatch):
    """What the README tells a stranger to type works in the folder it names."""
    monkeypatch.chdir(data)
    text = (data / "README.txt").read_text(encoding="utf-8")
    sql = text[text.index("    SELECT site") : text.index("NetCDF, with any reader")]
    assert len(duckdb.sql(sql).fetchall()) == 4
    code = text[text.index("    gaugings = pandas") :].splitlines()[0]
    names = {"pandas": pd}
    exec(code.strip(), names)
    assert len(names["gaugings"]) == 4
