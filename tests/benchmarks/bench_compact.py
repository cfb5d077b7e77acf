"""One site asked for in an archive of many, against the same in an archive of a few: before and after a compaction."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.readme import schema_documents
from stillwell.archive.writing.writer import Commit
from stillwell.pipeline.committing import utc_now, writing
from stillwell.pipeline.ingest import compact
from stillwell.reading.select.sql import ask
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import columns

KINDS = {"text": "str", "number": "float64", "count": "Int64", "flag": "boolean", "time": "datetime64[us, UTC]"}
EMPTY = {"text": "x", "number": 1.0, "count": 1, "flag": True, "time": pd.Timestamp("2025-01-01", tz="UTC")}


def readings(sites: int, each: int) -> pd.DataFrame:
    """Make stage of so many sites, every day of a year or less."""
    rows = sites * each
    names = pd.Series([f"S{number:05d}" for number in range(sites)], dtype="str")
    times = pd.Series(pd.date_range("2025-01-01", periods=each, freq="1D", tz="UTC"))
    known = {
        "site": names.iloc[np.repeat(np.arange(sites), each)].to_numpy(),
        "time": times.iloc[np.tile(np.arange(each), sites)].array,
        "stage_m": np.round(np.random.default_rng(1).uniform(0.2, 2.0, rows), 3),
    }
    made = {}
    for column in columns(ARCHIVE_TABLES["stage"]):
        word = column.words[0] if column.words else EMPTY[column.kind]
        values = pd.Series(known.get(column.name, [word] * rows))
        made[column.name] = values.astype(KINDS[column.kind])
    return pd.DataFrame(made)


def archive_of(root: Path, sites: int, each: int) -> None:
    """Write an archive with one file for each site."""
    with writing(root, by="bench", now=utc_now) as writer:
        rows = readings(sites, each).assign(recorded_at=pd.Timestamp(writer.recorded_at))
        rows["recorded_at"] = rows["recorded_at"].astype("datetime64[us, UTC]")
        writer.commit(Commit(tables={"stage": rows}, replacing=schema_documents(), reason="ingest"))


QUESTION = "SELECT count(*) AS n, max(stage_m) FROM {} WHERE site = '{}'"


def opening(root: Path, site: str) -> float:
    """Time what the ledger lists, the smallest of three."""
    del site
    return least(lambda _: len(Archive(root).listing()), [root] * 3)


def asked(root: Path, site: str) -> float:
    """Time the readings of one site in SQL, of an archive that is open, the smallest of three."""
    return least(lambda one: ask(one, QUESTION.format("stage", site)).to_pylist()[0]["n"], _opened(root))


def read(root: Path, site: str) -> float:
    """Time the same through ``Archive.read``."""
    return least(lambda one: len(one.read("stage", [site])), _opened(root))


def alone(root: Path, site: str) -> float:
    """Time the same question put to DuckDB itself, which knows nothing but the files of the table."""
    files = f"read_parquet('{root}/tables/stage/**/*.parquet', hive_partitioning = false)"
    return least(lambda _: duckdb.sql(QUESTION.format(files, site)).fetchall()[0][0], [root] * 3)


def _opened(root: Path) -> list[Archive]:
    opened = [Archive(root) for _ in range(3)]
    for archive in opened:
        archive.tables()
    return opened


def least(step: Callable[[Any], int], each: Sequence[object]) -> float:
    """Time a step on each of some things; the smallest. What it counts must not be nothing."""
    best = float("inf")
    for one in each:
        start = time.perf_counter()
        found = step(one)
        best = min(best, time.perf_counter() - start)
        assert found > 0
    return best


def lines(tmp: Path, many: int = 10_000, few: int = 10, each: int = 90) -> Iterator[str]:
    """Compare a question on one site of many with the same of a few, as ingested and compacted."""
    for sites in (few, many):
        archive_of(tmp / str(sites), sites, each)
    for state in ("a file for each site", "compacted"):
        files = len(Archive(tmp / str(many)).table_files("stage"))
        for name, step in (("opening", opening), ("SQL", asked), ("read", read), ("DuckDB alone", alone)):
            small, large = step(tmp / str(few), "S00005"), step(tmp / str(many), "S00005")
            yield (
                f"{name}, one site of {many:,} ({files:,} files, {state}): {large / small:.1f} x one of {few} "
                f"({large * 1e3:.0f} ms against {small * 1e3:.0f} ms)"
            )
        if state != "compacted":
            for sites in (few, many):
                start = time.perf_counter()
                compact(tmp / str(sites), by="bench", keep_days=0)
                spent = time.perf_counter() - start
                compact(tmp / str(sites), by="bench", keep_days=0)  # sweeps what the first one replaced
            yield f"compaction of {many:,} files: {spent:.1f} s"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        for line in lines(Path(folder)):
            print(line, flush=True)
