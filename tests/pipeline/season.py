"""A small season written to disk, with a clock that ticks once a second."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from stillwell.archive.ledger.clock import RightClock
from stillwell.pipeline.committing import utc_now
from stillwell.pipeline.ingest import Taken, ingest

X = [0, 1, 2, 3, 4, 5, 6]
D = [0, 0.3, 0.5, 0.6, 0.5, 0.3, 0]


def clock(start: datetime = datetime(2026, 1, 1, tzinfo=UTC)) -> Callable[[], datetime]:
    """Make a clock that moves a second on at every look."""
    state = [start]

    def now() -> datetime:
        state[0] += timedelta(seconds=1)
        return state[0]

    return now


NOW = clock()

TODAY = RightClock(utc_now)
"""The day the tests run on, however long after the fixed days of their archives that is."""


def registers(folder: Path) -> Path:
    """Write the registers of two sites and two meters."""
    folder.mkdir(parents=True, exist_ok=True)
    sites = "site,name,latitude,longitude,utc_offset,licence\n"
    (folder / "sites.csv").write_text(
        sites + "".join(f"S{i},Site {i} (invented),1{i},20,+00:00,CC0-1.0\n" for i in (1, 2))
    )
    (folder / "instruments.csv").write_text("instrument,kind\nM1,acoustic point\nM2,acoustic point\n")
    return folder


def sheets(folder: Path, *labels: str, party: str = "P1", velocity: float = 0.4, **header: str) -> Path:
    """Write gaugings named after the day of May they were made on."""
    folder.mkdir(parents=True, exist_ok=True)
    said = {"site": "S1", "instrument": "M1", "party": party} | header
    names = ["gauging", "started_at", "ended_at", *said]
    lines, points, heights = (
        [",".join(names)],
        ["gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s"],
        [],
    )
    for label in labels:
        day = f"2025-05-{int(label):02d}"
        row = {"gauging": label, "started_at": f"{day}T10:00Z", "ended_at": f"{day}T11:00Z"} | said
        lines.append(",".join(row[name] for name in names))
        for i, (x, d) in enumerate(zip(X, D, strict=True), 1):
            edge = d == 0
            points.append(
                f"{label},{i},{x},{d},{'edge' if edge else 'open'},{'' if edge else 0.6},{'' if edge else velocity}"
            )
        heights += [f"{said['site']},{day}T{t}Z,1.{int(label):02d},{label}" for t in ("09:55", "11:05")]
    (folder / "gaugings.csv").write_text("\n".join(lines) + "\n")
    (folder / "points.csv").write_text("\n".join(points) + "\n")
    (folder / "gauge_heights.csv").write_text("site,read_at,gauge_height_m,gauging\n" + "\n".join(heights) + "\n")
    return folder


def take(root: Path, *deposits: Path, by: str = "T1", again: bool = False, render_now: bool = True) -> Taken:
    """Take deposits into an archive."""
    return ingest(root, deposits, by=by, again=again, now=NOW, render_now=render_now)


def season(tmp: Path, *labels: str, render_now: bool = True) -> Path:
    """Make an archive of the registers and some gaugings; unless it is rendered, it has two commits."""
    wanted = labels or ("1", "2")
    registers(tmp / "registers")
    sheets(tmp / "first", *wanted)
    return shutil.copytree(_kept(wanted, render_now), tmp / "archive")


@cache
def _kept(labels: tuple[str, ...], render_now: bool) -> Path:
    """Make such an archive once in a run of tests; each test has a copy."""
    tmp = Path(tempfile.mkdtemp(prefix="season"))
    atexit.register(shutil.rmtree, tmp, ignore_errors=True)
    take(tmp / "archive", registers(tmp / "registers"))
    take(tmp / "archive", sheets(tmp / "first", *labels), render_now=render_now)
    return tmp / "archive"
