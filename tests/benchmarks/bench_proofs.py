"""How long an audit takes by how many commits hold the same deposits, and by how many processes share it."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from stillwell.archive.clock import RightClock
from stillwell.audit import audit
from stillwell.committing import utc_now
from stillwell.pipeline import ingest
from stillwell.render import render_all
from tests.benchmarks.run import SITES, VERTICALS, measured, sections

COMMITS = 1_000
"""Commits of the archive in small commits, a gauging each."""
SHARED, AMONG = 6_000, 60
"""Gaugings, and the commits they are in, of the archive that two processes share."""
TIMES = 3
"""Times that each side is measured, one after the other; the smallest of each is taken."""


def registers(folder: Path) -> Path:
    """Write the register of the sites."""
    folder.mkdir(parents=True)
    lines = [f"S{i},Invented {i},10,20,+00:00" for i in range(SITES)]
    (folder / "sites.csv").write_text("\n".join(["site,name,latitude,longitude,utc_offset", *lines]) + "\n")
    return folder


def sheet(folder: Path, number: int) -> Path:
    """Write one gauging as a deposit of its own: at the next site in turn, a day later at each turn."""
    folder.mkdir(parents=True)
    start = pd.Timestamp("2000-01-01T10:00Z") + pd.Timedelta(days=number // SITES)
    end = start + pd.Timedelta(hours=1)
    head = f"G{number},S{number % SITES},{start:%Y-%m-%dT%H:%MZ},{end:%Y-%m-%dT%H:%MZ}"
    (folder / "gaugings.csv").write_text(f"gauging,site,started_at,ended_at\n{head}\n")
    s = sections(1, number)
    edge = s["edge"]
    points = pd.DataFrame(
        {
            "gauging": f"G{number}",
            "vertical": np.arange(1, VERTICALS + 1),
            "position_m": s["x"],
            "depth_m": s["d"],
            "kind": np.where(edge, "edge", "open"),
            "relative_depth": np.where(edge, np.nan, 0.6),
            "velocity_m_s": s["v"],
            "exposure_s": np.where(edge, np.nan, 60.0),
        }
    )
    points.to_csv(folder / "points.csv", index=False)
    readings = "".join(f"S{number % SITES},{at:%Y-%m-%dT%H:%MZ},1.2,G{number}\n" for at in (start, end))
    (folder / "gauge_heights.csv").write_text("site,read_at,gauge_height_m,gauging\n" + readings)
    return folder


def made(folder: Path, gaugings: int, commits: int) -> Path:
    """Make an archive of so many gaugings, a deposit each, evenly in so many commits; rendered once, at the end."""
    root, now = folder / "archive", RightClock(utc_now)
    ingest(root, [registers(folder / "registers")], by="bench", now=now)
    for lot in np.array_split(np.arange(gaugings), commits):
        paths = [sheet(folder / "inbox" / str(number), int(number)) for number in lot]
        ingest(root, paths, by="bench", now=now, render_now=False)
    render_all(root, by="bench", now=now)
    return root


def sound(root: Path, processes: int = 0) -> None:
    """Audit a sound archive."""
    report = audit(root, processes=processes)
    if report.faults:
        msg = f"expected a sound archive, found {report.faults[0]}"
        raise SystemExit(msg)


def lines(folder: Path, scale: float) -> Iterator[str]:
    """Compare an audit of many commits with one of the same deposits in one, and of two processes with one."""
    count = max(2, int(COMMITS * scale))
    few, many = made(folder / "few", count, 1), made(folder / "many", count, count)
    one, other = measured(lambda: sound(few), lambda: sound(many), times=TIMES)
    yield (
        f"audit of {count:,} gaugings in {count:,} commits: {other / one:.2f} x that of the same deposits in one "
        f"({other:.1f} s against {one:.1f} s)"
    )
    count = max(AMONG, int(SHARED * scale))
    root = made(folder / "shared", count, AMONG)
    alone, shared = measured(lambda: sound(root), lambda: sound(root, 2), times=TIMES)
    yield (
        f"audit of {count:,} gaugings in {AMONG} commits: {alone / shared:.2f} x faster with two processes "
        f"({shared:.1f} s against {alone:.1f} s)"
    )


def main() -> int:
    """Print both ratios; an argument below 1 makes the archives smaller."""
    with tempfile.TemporaryDirectory() as place:
        for line in lines(Path(place), float(sys.argv[1]) if len(sys.argv) > 1 else 1.0):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
