"""Records of many sites in one archive: what a site costs and what memory it takes, however many there are."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.ingest import ingest
from tests.benchmarks.bench_record import stage

DERIVING = """
import re, sys, time
from pathlib import Path
from stillwell.pipeline.derive import derivations
start = time.perf_counter()
rows = sum(len(tables["discharge"]) for _, tables in derivations(Path(sys.argv[1]), by="bench"))
spent = time.perf_counter() - start
# of this program alone: what getrusage tells goes on counting from the process that started it
print(rows, spent, int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024)
"""


def recorded(root: Path, folder: Path, sites: int, years: int) -> None:
    """Take in stage of 15 minutes of so many sites and years, and a rating of each."""
    folder.mkdir()
    names = [f"S{number}" for number in range(sites)]
    lines = [f"{name},Invented {name},10,20,+00:00" for name in names]
    (folder / "sites.csv").write_text("\n".join(["site,name,latitude,longitude,utc_offset", *lines]) + "\n")
    ingest(root, [folder], by="bench")
    time_us, stage_m = stage(35_064 * years)
    times = pd.Series(time_us.view("datetime64[us]")).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    for name in names:
        logger = folder / name
        logger.mkdir()
        pd.DataFrame({"site": name, "time": times, "stage_m": np.round(stage_m, 3)}).to_csv(
            logger / "stage.csv", index=False
        )
        ingest(root, [logger], by="bench")
    ratings = [
        {"rating": f"R{n}", "site": n, "valid_from": "1990-01-01T00:00Z", "by": "bench", "reason": "bench"}
        | {"gauged_from_m": 0.3, "gauged_to_m": 5.0}
        for n in names
    ]
    segments = [
        {"rating": f"R{n}", "segment": 1, "from_m": 0.2, "coefficient": 4.0, "zero_stage_m": 0.2, "exponent": 2.0}
        for n in names
    ]
    adopt(root, deposit_of("ratings", {"ratings": ratings, "rating_segments": segments}), by="bench")


def sites_ratio(few: int = 30, many: int = 100, years: int = 2) -> str:
    """Compare deriving the records of many sites with deriving those of a few: seconds a site, and peak memory."""
    said = {}
    for count in (few, many):
        with tempfile.TemporaryDirectory() as tmp:
            recorded(Path(tmp) / "archive", Path(tmp) / "in", count, years)
            command = [sys.executable, "-c", DERIVING, str(Path(tmp) / "archive")]
            rows, spent, peak = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
            said[count] = int(rows), float(spent), float(peak)
    one, all_ = said[few], said[many]
    return (
        f"records of {many} sites x {years} years of 15 minutes ({all_[0]:,} values): {all_[1] / many:.1f} s a site, "
        f"{all_[1] / many / (one[1] / few):.2f} x that of {few} sites; "
        f"peak memory {all_[2]:.0f} MB against {one[2]:.0f} MB"
    )


if __name__ == "__main__":
    print(sites_ratio(*(int(word) for word in sys.argv[1:])))
