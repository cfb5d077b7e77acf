"""One site changed among many: derive and render of all against that site alone, and a night without news."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from stillwell.adopting import adopt, deposit_of
from stillwell.deriving import derive
from stillwell.pipeline import ingest

TIMES = 3


def network(root: Path, folder: Path, sites: int, days: int) -> None:
    """Take in hourly stage of so many sites and days and a rating of each; derive and render all."""
    folder.mkdir()
    names = [f"S{number:04d}" for number in range(sites)]
    lines = [f"{name},Invented {name},10,20,+00:00" for name in names]
    (folder / "sites.csv").write_text("\n".join(["site,name,latitude,longitude,utc_offset", *lines]) + "\n")
    times = pd.date_range("2025-01-01", periods=24 * days, freq="1h").strftime("%Y-%m-%dT%H:%M:%SZ")
    stage = pd.DataFrame({"site": names}).merge(pd.DataFrame({"time": times, "stage_m": 1.5}), how="cross")
    stage.to_csv(folder / "stage.csv", index=False)
    ingest(root, [folder], by="bench")
    said = {"valid_from": "1990-01-01T00:00Z", "by": "bench", "reason": "bench"}
    ratings = [{"rating": f"R{name}", "site": name} | said for name in names]
    shape = {"segment": 1, "from_m": 0.2, "coefficient": 4.0, "zero_stage_m": 0.2, "exponent": 2.0}
    segments = [{"rating": f"R{name}"} | shape for name in names]
    adopt(root, deposit_of("ratings", {"ratings": ratings, "rating_segments": segments}), by="bench")
    derive(root, by="bench")


def timed(step: Callable[[], object]) -> float:
    """Time one step, in s."""
    start = time.perf_counter()
    step()
    return time.perf_counter() - start
