"""An archive with fifty years of 15-minute stage at one invented site, with ratings, and its derived record."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import ingest
from tests.benchmarks.bench_record import BREAKS, CURVE, FACTORS, POWERS, stage
from tests.benchmarks.run import deposit

VALUES = 1_753_200
"""Fifty years of quarter hours."""
SITE = "S0"
VISITS = 600
"""Gaugings, one a month."""


def long_archive(tmp: Path, values: int = VALUES, visits: int = VISITS) -> Path:
    """Take the register with its gaugings, the ratings and the stage, and derive the record."""
    root = tmp / "archive"
    time_us, stage_m = stage(values)
    at = pd.to_datetime(time_us, unit="us", utc=True)
    ingest(root, [_visits(tmp / "visits", at, visits), _ratings(tmp / "ratings", at)], by="bench")
    folder = tmp / "stage"
    folder.mkdir()
    rows = pd.DataFrame({"site": SITE, "time": at.strftime("%Y-%m-%dT%H:%M:%SZ"), "stage_m": stage_m})
    rows.to_csv(folder / "stage.csv", index=False)
    ingest(root, [folder], by="bench")
    derive(root, [SITE], by="bench")
    return root


def _visits(folder: Path, at: pd.DatetimeIndex, visits: int) -> Path:
    """Write the site and gaugings evenly spread over the record, each with a reading of the gauge."""
    deposit(folder, visits, at=1)
    heads = pd.read_csv(folder / "gaugings.csv")
    start = at[np.linspace(4, len(at) - 8, visits).astype(int)]
    stamps = {"started_at": start, "ended_at": start + pd.Timedelta(hours=1)}
    heads = heads.assign(**{name: moment.strftime("%Y-%m-%dT%H:%M:%SZ") for name, moment in stamps.items()})
    heads.to_csv(folder / "gaugings.csv", index=False)
    heights = {"site": SITE, "gauging": heads["gauging"], "read_at": heads["started_at"], "gauge_height_m": 0.6}
    pd.DataFrame(heights | {"source": "staff"}).to_csv(folder / "gauge_heights.csv", index=False)
    return folder


def _ratings(folder: Path, at: pd.DatetimeIndex) -> Path:
    """Write three ratings in turn, each of three segments, with a shift every second year."""
    folder.mkdir()
    since = [at[0], at[len(at) // 3], at[2 * len(at) // 3]]
    heads = pd.DataFrame(
        {"rating": ["A", "B", "C"], "site": SITE, "valid_from": [f"{t:%Y-%m-%dT%H:%M:%SZ}" for t in since]}
    )
    heads.assign(gauged_from_m=0.25, gauged_to_m=3.0, by="bench", reason="invented").to_csv(
        folder / "ratings.csv", index=False
    )
    parts = pd.DataFrame({"segment": [1, 2, 3], "from_m": BREAKS, "coefficient": FACTORS, "zero_stage_m": CURVE.zero_m})
    parts = parts.assign(exponent=POWERS)
    pd.concat([parts.assign(rating=name) for name in heads["rating"]]).to_csv(
        folder / "rating_segments.csv", index=False
    )
    moved = pd.date_range(at[0], at[-1], freq="730D")
    owner = np.searchsorted(pd.DatetimeIndex(since), moved, side="right") - 1
    shifts = pd.DataFrame({"rating": heads["rating"].to_numpy()[owner], "from": moved.strftime("%Y-%m-%dT%H:%M:%SZ")})
    shifts.assign(shift_m=0.01, uncertainty_m=0.004, by="bench", reason="invented").to_csv(
        folder / "shifts.csv", index=False
    )
    return folder
