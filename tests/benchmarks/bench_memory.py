"""What each command takes of memory over a network of many sites of 15-minute stage, in processes of their own.

``python -m tests.benchmarks.bench_memory --sites 100 --years 10`` measures the whole form; ``make bench`` a small one.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks.bench_record import stage
from tests.benchmarks.run import VERTICALS, sections

MOST_MB = 2048.0
"""What a command and its child processes may take together at their peak."""
ROWS_A_YEAR = 35_064
"""Quarter hours of a year, in the mean of four."""
VISITS_A_YEAR = 4
SITES_A_DEPOSIT = 5
START = pd.Timestamp("2001-09-09T01:45Z")
"""When the invented stage begins."""
STILLWELL = [str(Path(sys.executable).with_name("stillwell"))]
WATCHED = [sys.executable, str(Path(__file__).with_name("watched.py"))]


@dataclass(frozen=True)
class Peak:
    """What one command took."""

    act: str
    seconds: float
    worked_s: float
    """Seconds of processors, those of child processes with it."""
    together_mb: float
    """Command and child processes together, the largest sum at one look."""
    each_mb: float
    """The largest single process."""
    processes: int

    @property
    def line(self) -> str:
        """Say in one line what was asked and what was reached."""
        return (
            f"  {self.act}: {self.together_mb:,.0f} MB together ({self.processes} processes at once at most), "
            f"{self.each_mb:,.0f} MB the largest process; {self.seconds:.1f} s ({self.worked_s:.1f} s of processors)"
        )


def site_names(first: int, count: int) -> list[str]:
    """Name invented sites."""
    return [f"INV-{number:03d}" for number in range(first, first + count)]


def registers(folder: Path, sites: int) -> Path:
    """Write invented sites and a rating of each."""
    folder.mkdir(parents=True)
    names = site_names(0, sites)
    place = {"latitude": 10.0, "longitude": 20.0, "utc_offset": "+00:00", "licence": "CC-BY-4.0"}
    pd.DataFrame({"site": names, "name": [f"Invented {name}" for name in names], **place}).to_csv(
        folder / "sites.csv", index=False
    )
    ratings = [f"R-{name}" for name in names]
    since = {"valid_from": "1990-01-01T00:00Z", "gauged_from_m": 0.3, "gauged_to_m": 5.0}
    pd.DataFrame({"rating": ratings, "site": names, **since, "by": "bench", "reason": "invented"}).to_csv(
        folder / "ratings.csv", index=False
    )
    shape = {"segment": 1, "from_m": 0.2, "coefficient": 4.0, "zero_stage_m": 0.2, "exponent": 2.0}
    pd.DataFrame({"rating": ratings, **shape}).to_csv(folder / "rating_segments.csv", index=False)
    return folder


def visits(folder: Path, sites: int, years: int) -> Path:
    """Write a few gaugings a year of each site."""
    folder.mkdir(parents=True)
    each = VISITS_A_YEAR * years
    start = START + pd.to_timedelta(np.linspace(1, 365 * years - 1, each).astype(int), unit="D")
    count = each * sites
    heads = pd.DataFrame(
        {
            "gauging": [f"G{number}" for number in range(count)],
            "site": np.repeat(site_names(0, sites), each),
            "started_at": np.tile(start.strftime("%Y-%m-%dT%H:%M:%SZ"), sites),
            "ended_at": np.tile((start + pd.Timedelta(hours=1)).strftime("%Y-%m-%dT%H:%M:%SZ"), sites),
        }
    )
    heads.to_csv(folder / "gaugings.csv", index=False)
    s = sections(count)
    edge = s["edge"]
    pd.DataFrame(
        {
            "gauging": np.repeat(heads["gauging"].to_numpy(), VERTICALS),
            "vertical": np.tile(np.arange(1, VERTICALS + 1), count),
            "position_m": s["x"],
            "depth_m": s["d"],
            "kind": np.where(edge, "edge", "open"),
            "relative_depth": np.where(edge, np.nan, 0.6),
            "velocity_m_s": s["v"],
            "exposure_s": np.where(edge, np.nan, 60.0),
        }
    ).to_csv(folder / "points.csv", index=False)
    return folder


def loggers(folder: Path, sites: int, years: int) -> list[Path]:
    """Write the stage of some sites to a deposit, one deposit after the other."""
    time_us, stage_m = stage(ROWS_A_YEAR * years)
    times = np.datetime_as_string(time_us.view("datetime64[us]"), unit="s")
    made = []
    for first in range(0, sites, SITES_A_DEPOSIT):
        place = folder / f"loggers_{first:03d}"
        place.mkdir(parents=True)
        with (place / "stage.csv").open("w", encoding="ascii") as file:
            file.write("site,sensor,time,stage_m\n")
            for number, name in enumerate(site_names(first, min(SITES_A_DEPOSIT, sites - first)), first):
                values = np.char.mod("%.3f", stage_m + 0.001 * number).tolist()
                file.writelines(f"{name},radar,{t}Z,{y}\n" for t, y in zip(times.tolist(), values, strict=True))
        made.append(place)
    return made


def watched(act: str, root: Path, *words: str) -> Peak:
    """Run one command on an archive, in a process of its own beside this one, and say what it took."""
    command = [*WATCHED, *STILLWELL, act, *words, "--archive", str(root)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=_env())
    taken = json.loads(done.stdout)
    if taken["code"]:
        msg = f"expected {act} to end with 0, found {taken['code']}: {done.stderr[-2000:]}"
        raise RuntimeError(msg)
    return Peak(
        act, taken["seconds"], taken["worked_s"], taken["together_mb"], taken["each_mb"], int(taken["processes"])
    )


def _env() -> dict[str, str]:
    return os.environ | {"STILLWELL_BY": "bench"}


def largest(peaks: list[Peak]) -> Peak:
    """Join the runs of one command: the largest of each peak, the seconds of all."""
    return Peak(
        peaks[0].act,
        sum(peak.seconds for peak in peaks),
        sum(peak.worked_s for peak in peaks),
        max(peak.together_mb for peak in peaks),
        max(peak.each_mb for peak in peaks),
        max(peak.processes for peak in peaks),
    )


def filled(root: Path, tmp: Path, sites: int, years: int) -> Peak:
    """Take the deposits of a network, one after the other, into an archive whose NetCDF files are left behind."""
    paths = [registers(tmp / "in" / "registers", sites), visits(tmp / "in" / "visits", sites, years)]
    paths += loggers(tmp / "in", sites, years)
    return largest([watched("ingest", root, str(path), "--render-later") for path in paths])


def measured(root: Path, tmp: Path, acts: list[str] | None = None) -> Iterator[Peak]:
    """Derive, render, prove, copy, publish and ask an archive, and make it again."""
    site = site_names(0, 1)[0]
    every = {
        "derive": ("--render-later",),
        "render": (),
        "audit": (),
        "replicate": ("--to", str(tmp / "copy")),
        "publish": ("--out", str(tmp / "bag")),
        "record": (site, "--step", "daily", "--format", "csv"),
        "query": (f"SELECT count(*), max(discharge_m3_s) FROM discharge WHERE site = '{site}'",),
        "rebuild": ("--into", str(tmp / "again")),
    }
    for act, words in every.items():
        if not acts or act in acts:
            yield watched(act, root, *words)


def lines(tmp: Path, sites: int, years: int) -> Iterator[str]:
    """Measure every command over a network of so many sites and years, and say what was asked and what was reached."""
    root = tmp / "archive"
    peaks = [filled(root, tmp, sites, years)]
    yield f"memory over {sites} sites x {years} years of 15 minutes, {sites * years * ROWS_A_YEAR:,} values of stage:"
    yield peaks[0].line
    for peak in measured(root, tmp):
        peaks.append(peak)
        yield peak.line
        if peak.act == "render":
            files = len(list((root / "netcdf").rglob("*.nc")))
            each = 1000 * peak.worked_s / files
            yield f"  {files:,} files of a year or of a site: {each:.0f} ms a file, of processors, start and all"
    most = max(peaks, key=lambda peak: peak.together_mb)
    yield (
        f"  asked: each command with its child processes within {MOST_MB:,.0f} MB; reached: {most.together_mb:,.0f} MB "
        f"at most, by {most.act}, {most.together_mb / MOST_MB:.2f} x what was asked"
    )


def main() -> int:
    """Measure a network of a given size; ``--keep DIR`` keeps it, or goes on with one kept there."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sites", type=int, default=100)
    parser.add_argument("--years", type=int, default=10)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--only", nargs="*", help="commands to measure in the archive kept")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as tmp:
        place = asked.keep or Path(tmp)
        if asked.only:
            for peak in measured(place / "archive", place, asked.only):
                print(peak.line, flush=True)
            return 0
        for line in lines(place, asked.sites, asked.years):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
