"""Ratios against what the same machine could do at best, printed; `make bench`. Never a timed test.

Each pair is measured in the same run, alternately, and the smallest time of each is taken.
"""

from __future__ import annotations

import gc
import hashlib
import io
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pcsv
import pyarrow.parquet as pq

from stillwell.assessment.assess import assess
from stillwell.hydrometry.gauging.compute import Computed, compute
from stillwell.pipeline.committing import office_policy
from stillwell.pipeline.ingest import ingest

VERTICALS = 25
SITES = 20
COMPUTE_MOST = 8.0
"""Times a bare numpy pass that computing and assessing may take, as was asked."""
INGEST_MOST = 5.0
"""Times its floor that an ingest may take, as was asked."""


def measured(*steps: Callable[[], object], times: int = 3) -> list[float]:
    """Time some steps alternately; the smallest of each."""
    best = [float("inf")] * len(steps)
    for _ in range(times):
        for i, step in enumerate(steps):
            gc.collect()
            start = time.perf_counter()
            step()
            best[i] = min(best[i], time.perf_counter() - start)
    return best


def sections(count: int, seed: int = 1) -> dict[str, np.ndarray]:
    """Make positions, depths and velocities of many sound sections with sloping edges, 23 verticals with water."""
    rng = np.random.default_rng(seed)
    x = np.tile(np.arange(VERTICALS, dtype=float), count)
    river = np.repeat(rng.uniform(0.3, 0.7, (2, count)), VERTICALS, axis=1)
    d = np.round(river[0] * rng.normal(1, 0.02, count * VERTICALS), 2)
    v = np.round(river[1] * rng.normal(1, 0.02, count * VERTICALS), 3)
    edge = np.tile(np.r_[True, np.zeros(VERTICALS - 2, dtype=bool), True], count)
    d[edge] = 0.0
    return {"x": x, "d": d, "v": np.where(edge, np.nan, v), "edge": edge, "g": np.repeat(np.arange(count), VERTICALS)}


def bare_pass(s: dict[str, np.ndarray]) -> np.ndarray:
    """Sum mid-section panels of every section with nothing but numpy."""
    x, start = s["x"], np.arange(0, s["x"].size, VERTICALS)
    step = np.diff(x, prepend=x[:1])
    step[start] = 0.0
    width = 0.5 * (step + np.r_[step[1:], 0.0])
    q = width * s["d"] * np.nan_to_num(s["v"])
    area = width * s["d"]
    return np.add.reduceat(q, start) / np.add.reduceat(area, start)


def frames(s: dict[str, np.ndarray]) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Make the canonical frames of the same sections."""
    from tests.making import frame, gaugings

    count = int(s["g"][-1]) + 1
    heads = gaugings(1)
    heads = heads.iloc[np.zeros(count, dtype=int)].reset_index(drop=True)
    labels = pd.Series(np.char.add("G", np.arange(count).astype(str)), dtype="str")
    points = frame("points", [{}]).iloc[np.zeros(s["g"].size, dtype=int)].reset_index(drop=True)
    edge = s["edge"]
    points = points.assign(
        g=s["g"],
        gauging=labels.iloc[s["g"]].to_numpy(),
        vertical=pd.array(np.tile(np.arange(1, VERTICALS + 1), count), dtype="Int64"),
        position_m=s["x"],
        depth_m=s["d"],
        kind=pd.Series(np.where(edge, "edge", "open"), dtype="str"),
        relative_depth=np.where(edge, np.nan, 0.6),
        velocity_m_s=s["v"],
        exposure_s=np.where(edge, np.nan, 60.0),
        repeat=pd.array(np.ones(edge.size, dtype="int64"), dtype="Int64"),
    )
    readings = [{"site": "S1", "read_at": f"2025-05-01T{t}Z", "gauge_height_m": 1.0} for t in ("09:55", "11:05")]
    heights = frame("gauge_heights", readings)
    return heads.assign(gauging=labels), points, heights, frame("calibrations", [], kept=True)


def _steps(s: dict[str, np.ndarray]) -> tuple[Callable[[], object], Callable[[], object], Callable[[], object]]:
    """Prepare the same sections for computing and assessing, for the bare pass, and for computing alone."""
    from tests.making import evidence

    policy, _ = office_policy()
    heads, points, heights, calibrations = frames(s)

    def computing() -> Computed:
        return compute(heads, points, heights, calibrations, policy.settings())

    beside = evidence(heads, computing(), policy)

    def whole() -> None:
        made = computing()
        known = replace(
            beside, results=made.results, verticals=made.verticals, points=made.points, readings=made.readings
        )
        assess(known)

    return whole, lambda: bare_pass(s), computing


def compute_ratio(total: int = 200_000, batch: int = 20_000) -> str:
    """Compare computing and assessing with the bare pass over the same sections, batch by batch."""
    spent = np.zeros(3)
    for number in range(total // batch):
        spent += measured(*_steps(sections(batch, number)), times=1 if number else 2)
    ours, bare, only = spent
    return (
        f"compute, both uncertainties, every check {total:,} x {VERTICALS}: {ours / bare:.1f} x a bare numpy pass "
        f"({ours:.2f} s against {bare:.2f} s; computing alone {only / bare:.1f} x); asked: within {COMPUTE_MOST:g} x"
    )


def growth(sizes: tuple[int, ...] = (1_000, 20_000, 200_000)) -> str:
    """Say what one gauging costs in batches of several sizes, and what memory the largest took at its peak."""
    spent = []
    for count in sizes:
        whole, _, _ = _steps(sections(count))
        spent.append(measured(whole, times=1)[0] / count * 1e6)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    costs = ", ".join(f"{count:,}: {cost:.0f}" for count, cost in zip(sizes, spent, strict=True))
    return f"microseconds a gauging in one batch of {costs}; peak memory {peak:.1f} GB, frames and all"


def deposit(folder: Path, count: int, at: int = SITES) -> Path:
    """Write one deposit of many gaugings."""
    folder.mkdir()
    rows = np.arange(count)
    sites = pd.DataFrame(
        {
            "site": [f"S{i}" for i in range(at)],
            "name": "Invented",
            "latitude": 10.0,
            "longitude": 20.0,
            "utc_offset": "+00:00",
        }
    )
    sites.to_csv(folder / "sites.csv", index=False)
    start = pd.Timestamp("2000-01-01T10:00Z") + pd.to_timedelta(rows // at, unit="D")
    heads = pd.DataFrame(
        {
            "gauging": [f"G{i}" for i in rows],
            "site": [f"S{i % at}" for i in rows],
            "started_at": start.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "ended_at": (start + pd.Timedelta(hours=1)).strftime("%Y-%m-%dT%H:%M:%SZ"),
        }
    )
    heads.to_csv(folder / "gaugings.csv", index=False)
    s = sections(count)
    points = pd.DataFrame(
        {
            "gauging": np.repeat(heads["gauging"].to_numpy(), VERTICALS),
            "vertical": np.tile(np.arange(1, VERTICALS + 1), count),
            "position_m": s["x"],
            "depth_m": s["d"],
            "kind": np.where(s["edge"], "edge", "open"),
            "relative_depth": np.where(s["edge"], np.nan, 0.6),
            "velocity_m_s": s["v"],
            "exposure_s": np.where(s["edge"], np.nan, 60.0),
        }
    )
    points.to_csv(folder / "points.csv", index=False)
    return folder


def floor(folder: Path) -> None:
    """Read the CSV files, digest them, and write the same rows as zstd Parquet: the least an ingest must do."""
    for path in sorted(folder.glob("*.csv")):
        data = path.read_bytes()
        hashlib.sha512(data).hexdigest()
        table = pcsv.read_csv(io.BytesIO(data))
        pq.write_table(table, pa.BufferOutputStream(), compression="zstd")


def ingest_ratio(tmp: Path, count: int = 10_000) -> list[str]:
    """Compare the ingest of one deposit with its floor, its NetCDF files left behind and rendered."""
    folder = deposit(tmp / "deposit", count)
    root = tmp / "archive"

    def whole(*, rendered: bool) -> None:
        shutil.rmtree(root, ignore_errors=True)
        ingest(root, [folder], by="bench", render_now=rendered)

    steps = (lambda: whole(rendered=False), lambda: whole(rendered=True), lambda: floor(folder))
    *ours, least = measured(*steps, times=2)
    lines = [
        f"ingest {count:,} gaugings x {VERTICALS}, {how} rendering: {spent / least:.1f} x the floor "
        f"({spent:.2f} s against {least:.2f} s); asked: within {INGEST_MOST:g} x"
        for how, spent in zip(("without", "with"), ours, strict=True)
    ]
    each = 1000 * (ours[1] - ours[0]) / SITES
    return [*lines, f"render {SITES} files of {count // SITES} gaugings after it: {each:.0f} ms a file"]


def main() -> int:
    """Print every ratio; an argument below 1 makes the archives smaller."""
    from tests.benchmarks import bench_api, bench_compact, bench_memory, bench_proofs, bench_room, bench_start
    from tests.benchmarks.bench_archive import lines
    from tests.benchmarks.bench_large import COUNT, large_line
    from tests.benchmarks.bench_marks import marks_lines, render_line
    from tests.benchmarks.bench_record import record_growth, record_ratio
    from tests.benchmarks.bench_sites import sites_ratio
    from tests.benchmarks.bench_stage import ROWS, stage_lines
    from tests.benchmarks.long_record import VALUES, long_archive

    scale = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    print(compute_ratio(), flush=True)
    print(growth(), flush=True)
    print(record_ratio(), flush=True)
    print(record_growth(), flush=True)
    print(sites_ratio(), flush=True)
    with tempfile.TemporaryDirectory() as tmp:
        for line in bench_memory.lines(Path(tmp), max(int(4 * scale), 1), 1):
            print(line, flush=True)
    with tempfile.TemporaryDirectory() as tmp:
        print(marks_lines(Path(tmp) / "archive", Path(tmp)), flush=True)
        print(render_line(Path(tmp) / "rendered", Path(tmp) / "in rendered"), flush=True)
    with tempfile.TemporaryDirectory() as tmp:
        for line in ingest_ratio(Path(tmp)):
            print(line, flush=True)
        print(large_line(Path(tmp) / "large", int(COUNT * scale)), flush=True)
        for line in stage_lines(Path(tmp) / "stage", int(ROWS * scale)):
            print(line, flush=True)
    with tempfile.TemporaryDirectory() as tmp:
        for line in lines(Path(tmp), scale):
            print(line, flush=True)
    with tempfile.TemporaryDirectory() as tmp:
        for line in bench_compact.lines(Path(tmp), max(int(10_000 * scale), 20)):
            print(line, flush=True)
    for lines_of in (bench_start.lines, lambda tmp: bench_proofs.lines(tmp, scale), bench_api.lines):
        with tempfile.TemporaryDirectory() as tmp:
            for line in lines_of(Path(tmp)):
                print(line, flush=True)
    with tempfile.TemporaryDirectory() as tmp:
        root = long_archive(Path(tmp), max(int(VALUES * scale), 35 * 35_064))
        for line in [*bench_api.long_lines(root), *bench_room.lines(Path(tmp), root, scale)]:
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    sys.exit(main())
