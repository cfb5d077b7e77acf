"""Ratios of the Python API: a site-year of a table against pandas reading the same files and columns."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

import stillwell
from stillwell.archive.archive import Archive
from stillwell.pipeline.ingest import ingest
from tests.benchmarks.long_record import long_archive
from tests.benchmarks.run import VERTICALS, deposit, measured

EVERY = "5min"
"""Readings this far apart make 105,120 rows of a site and year."""
HOURLY = 4_200
"""Gaugings of one site and year, which make 105,000 points."""


def readings(folder: Path, year: int, sites: int = 2) -> Path:
    """Write a year of readings of some gauges."""
    folder.mkdir()
    at = pd.date_range(f"{year}-01-01", f"{year + 1}-01-01", freq=EVERY, inclusive="left", tz="UTC")
    height = np.round(1 + 0.3 * np.sin(np.arange(len(at)) / 900), 3)
    said = {"read_at": at.strftime("%Y-%m-%dT%H:%M:%SZ"), "gauge_height_m": height, "source": "sensor"}
    rows = [pd.DataFrame({"site": f"S{i}", "gauge": "G1"} | said) for i in range(sites)]
    pd.concat(rows).to_csv(folder / "gauge_heights.csv", index=False)
    return folder


def visits(folder: Path, count: int) -> Path:
    """Write gaugings two hours apart at one site."""
    deposit(folder, count, at=1)
    heads = pd.read_csv(folder / "gaugings.csv")
    start = pd.Timestamp("2001-01-01T00:00Z") + pd.to_timedelta(np.arange(count) * 2, unit="h")
    stamps = {"started_at": start, "ended_at": start + pd.Timedelta(hours=1)}
    heads = heads.assign(**{name: at.strftime("%Y-%m-%dT%H:%M:%SZ") for name, at in stamps.items()})
    heads.to_csv(folder / "gaugings.csv", index=False)
    return folder


def archive(tmp: Path, gaugings: int = HOURLY) -> Path:
    """Make an archive of two years of readings at two sites, and of many gaugings at one."""
    root = tmp / "archive"
    ingest(root, [visits(tmp / "visits", gaugings)], by="bench")
    sites = pd.read_csv(tmp / "visits" / "sites.csv")
    registers = tmp / "registers"
    registers.mkdir()
    sites.assign(site="S1").to_csv(registers / "sites.csv", index=False)
    ingest(root, [registers], by="bench")
    for year in (2000, 2001):
        ingest(root, [readings(tmp / str(year), year)], by="bench")
    return root


def ratio(root: Path, table: str, span: tuple[str, str], columns: list[str] | None, commits: str) -> str:
    """Compare a site-year with pandas reading the files that hold it."""
    files = [f"{root}/{f.path}" for f in Archive(root).table_files(table, ["S0"]) if f.path.split("/")[-1] >= commits]
    asked = stillwell.open(root).table(table)
    at_once, ours, theirs = measured(
        lambda: stillwell.open(root).table(table)(site="S0", start=span[0], end=span[1], columns=columns),
        lambda: asked(site="S0", start=span[0], end=span[1], columns=columns),
        lambda: pd.read_parquet(files, columns=columns, partitioning=None),
        times=15,
    )
    found = asked(site="S0", start=span[0], end=span[1], columns=columns)
    assert len(found) == len(pd.read_parquet(files, columns=columns, partitioning=None))
    named = "all columns" if columns is None else ", ".join(columns)
    return (
        f"site-year of {table}, {len(found):,} rows, {named}: {ours / theirs:.2f} x pandas reading its Parquet "
        f"({1000 * ours:.1f} ms against {1000 * theirs:.1f} ms); "
        f"{at_once / theirs:.2f} x with the archive opened for it"
    )


def days_ratio(root: Path, columns: list[str] | None) -> list[str]:
    """Compare thirty years of daily values of one site, by method and by SQL, with DuckDB asked for the same files."""
    files = ", ".join(f"'{root}/{file.path}'" for file in Archive(root).table_files("daily", ["S0"]))
    first = Archive(root).read("daily", ["S0"], ["starts_at"])["starts_at"].min().year + 5
    start, end = f"{first}-01-01", f"{first + 30}-01-01"
    inside = f"starts_at >= TIMESTAMPTZ '{start} 00:00Z' AND starts_at < TIMESTAMPTZ '{end} 00:00Z'"
    said = "*" if columns is None else ", ".join(columns)
    theirs = f"SELECT {said} FROM read_parquet([{files}]) WHERE site = 'S0' AND {inside} ORDER BY day"
    ours = f"SELECT {said} FROM daily WHERE site = 'S0' AND {inside} ORDER BY day"
    opened = stillwell.open(root)
    by_method, by_sql, least = measured(
        lambda: opened.daily(site="S0", start=start, end=end, columns=columns),
        lambda: opened.sql(ours),
        lambda: duckdb.sql(theirs).df(),
        times=15,
    )
    found = opened.daily(site="S0", start=start, end=end, columns=columns)
    assert len(found) == len(opened.sql(ours)) == len(duckdb.sql(theirs).df())
    named = "all columns" if columns is None else ", ".join(columns)
    return [
        f"30 years of daily means of one site, {len(found):,} rows, {named}: {spent / least:.2f} x DuckDB "
        f"asked directly by {how} ({1000 * spent:.1f} ms against {1000 * least:.1f} ms); asked: within 1.2 x"
        for how, spent in (("method", by_method), ("SQL", by_sql))
    ]


def stage_ratio(root: Path, columns: list[str] | None) -> str:
    """Compare one year out of a file of fifty with pandas reading that year of the file."""
    files = [f"{root}/{file.path}" for file in Archive(root).table_files("stage", ["S0"])]
    opened = stillwell.open(root)
    year = opened.stage(site="S0", columns=["time"])["time"].iloc[0].year + 10
    since, until = (pd.Timestamp(f"{y}-01-01", tz="UTC") for y in (year, year + 1))
    within = [("time", ">=", since), ("time", "<", until)]
    ours, theirs = measured(
        lambda: opened.stage(site="S0", start=f"{year}", end=f"{year + 1}", columns=columns),
        lambda: pd.read_parquet(files, columns=columns, filters=within, partitioning=None),
        times=15,
    )
    found = opened.stage(site="S0", start=f"{year}", end=f"{year + 1}", columns=columns)
    named = "all columns" if columns is None else ", ".join(columns)
    return (
        f"site-year of stage out of fifty years, {len(found):,} rows, {named}: {ours / theirs:.2f} x pandas reading "
        f"its Parquet ({1000 * ours:.1f} ms against {1000 * theirs:.1f} ms)"
    )


def long_lines(root: Path) -> list[str]:
    """Measure what is asked of the archive of one long record."""
    return [
        stage_ratio(root, None),
        stage_ratio(root, ["time", "stage_m"]),
        *days_ratio(root, None),
        *days_ratio(root, ["day", "mean_m3_s", "uncertainty_m3_s", "marks"]),
    ]


def lines(tmp: Path, gaugings: int = HOURLY) -> list[str]:
    """Measure everything of the API."""
    root = archive(tmp, gaugings)
    year = ("2001", "2002")
    return [
        ratio(root, "gauge_heights", year, None, "00000004"),
        ratio(root, "gauge_heights", year, ["read_at", "gauge_height_m"], "00000004"),
        ratio(root, "points", year, None, "00000001"),
        ratio(root, "points", year, ["gauging_id", "position_m", "velocity_m_s"], "00000001"),
    ]


def main() -> int:
    """Print every ratio."""
    with tempfile.TemporaryDirectory() as tmp:
        for line in lines(Path(tmp)):
            print(line, flush=True)
    with tempfile.TemporaryDirectory() as tmp:
        for line in long_lines(long_archive(Path(tmp))):
            print(line, flush=True)
    print(f"gaugings of {VERTICALS} verticals")
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    sys.exit(main())
