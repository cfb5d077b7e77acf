"""How long the audit takes by how many commits hold the same deposits, and by how many processes share the proof."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from stillwell.archive.clock import RightClock
from stillwell.audit import audit
from stillwell.committing import utc_now
from stillwell.pipeline import ingest
from stillwell.render import render_all
from tests.benchmarks.run import SITES, VERTICALS, sections

GAUGINGS = 1_000
ALTERNATING = 3
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


def seconds(root: Path, processes: int) -> float:
    """Time one audit of a sound archive, in s."""
    begun = time.perf_counter()
    report = audit(root, now=datetime.now(UTC), processes=processes)
    spent = time.perf_counter() - begun
    if report.faults:
        msg = f"expected a sound archive, found {report.faults[0]}"
        raise SystemExit(msg)
    return spent
