"""One site asked for in an archive of many, against the same in an archive of a few: before and after a compaction."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from schemas import ARCHIVE_TABLES
from schemas.derive import columns
from stillwell.archive.archive import Archive
from stillwell.archive.readme import schema_documents
from stillwell.archive.writer import Commit
from stillwell.committing import utc_now, writing
from stillwell.pipeline import compact
from stillwell.reading.sql import ask

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


def asked(root: Path, site: str) -> float:
    """Time the readings of one site in SQL, the smallest of three."""
    best = float("inf")
    for _ in range(3):
        archive, start = Archive(root), time.perf_counter()
        answer = ask(archive, f"SELECT count(*) AS n, max(stage_m) FROM stage WHERE site = '{site}'").to_pylist()
        best = min(best, time.perf_counter() - start)
        assert answer[0]["n"] > 0
    return best


def read(root: Path, site: str) -> float:
    """Time the same through ``Archive.read``."""
    best = float("inf")
    for _ in range(3):
        archive, start = Archive(root), time.perf_counter()
        assert len(archive.read("stage", [site]))
        best = min(best, time.perf_counter() - start)
    return best


def lines(tmp: Path, many: int = 10_000, few: int = 10, each: int = 90) -> Iterator[str]:
    """Compare a question on one site of many with the same of a few, as ingested and compacted."""
    for sites in (few, many):
        archive_of(tmp / str(sites), sites, each)
    for state in ("a file for each site", "compacted"):
        files = len(Archive(tmp / str(many)).table_files("stage"))
        for name, step in (("SQL", asked), ("read", read)):
            small, large = step(tmp / str(few), "S00005"), step(tmp / str(many), "S00005")
            yield (
                f"{name}, one site of {many:,} ({files:,} files, {state}): {large / small:.1f} x one of {few} "
                f"({large * 1e3:.0f} ms against {small * 1e3:.0f} ms)"
            )
        if state != "compacted":
            for sites in (few, many):
                start = time.perf_counter()
                compact(tmp / str(sites), by="bench")
            yield f"compaction of {many:,} files: {time.perf_counter() - start:.1f} s"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        for line in lines(Path(folder)):
            print(line, flush=True)
