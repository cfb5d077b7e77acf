"""How long an audit takes by how many commits hold the same deposits, and by how many processes share it."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import RightClock
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import utc_now
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import ingest
from stillwell.pipeline.render import render_all
from tests.benchmarks.bench_record import BREAKS, CURVE, FACTORS, POWERS, stage
from tests.benchmarks.run import SITES, VERTICALS, measured, sections

COMMITS = 1_000
"""Commits of the archive in small commits, a gauging each."""
AT_MOST, AT_LEAST = 3.0, 1.7
"""What is asked: times as long in many commits as in one, and times as fast on two cores as on one."""
ROUNDS = 20
"""Rounds of three commits, of gaugings, of stage and of what is derived, of the archive that two processes share."""
GAUGINGS, A_DEPOSIT, STATIONS, DAYS = 100, 25, 8, 20
"""Of a round: gaugings and how many of them are in a deposit, sites with a recorder, and days that they record."""
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


def ratings(folder: Path, sites: Sequence[str]) -> Path:
    """Write one rating of three segments for each of some sites."""
    folder.mkdir(parents=True)
    names = "rating,site,valid_from,gauged_from_m,gauged_to_m,by,reason"
    lines = [f"A{site},{site},2000-01-01T00:00Z,0.25,3.0,bench,invented" for site in sites]
    (folder / "ratings.csv").write_text("\n".join([names, *lines]) + "\n")
    parts = pd.DataFrame({"segment": [1, 2, 3], "from_m": BREAKS, "coefficient": FACTORS, "zero_stage_m": CURVE.zero_m})
    parts = pd.concat([parts.assign(exponent=POWERS, rating=f"A{site}") for site in sites])
    parts.to_csv(folder / "rating_segments.csv", index=False)
    return folder


def recorded(folder: Path, sites: Sequence[str], stage_m: np.ndarray, days: range) -> Path:
    """Write the quarter hours of some days at some sites, each with the same stage at another time."""
    folder.mkdir(parents=True)
    at = pd.date_range("2001-09-09", periods=96 * days.stop, freq="15min")[96 * days.start :]
    rows = [
        pd.DataFrame(
            {
                "site": site,
                "time": at.strftime("%Y-%m-%dT%H:%M:%SZ"),
                "stage_m": np.roll(stage_m, 997 * i)[96 * days.start : 96 * days.stop],
            }
        )
        for i, site in enumerate(sites)
    ]
    pd.concat(rows).to_csv(folder / "stage.csv", index=False)
    return folder


def sheets(folder: Path, numbers: Sequence[int]) -> Path:
    """Write some gaugings as one deposit."""
    folder.mkdir(parents=True)
    parts = [sheet(folder.parent / f"{folder.name}-{number}", number) for number in numbers]
    for name in ("gaugings.csv", "points.csv", "gauge_heights.csv"):
        head, *_ = texts = [(part / name).read_text().splitlines() for part in parts]
        (folder / name).write_text("\n".join([head[0], *(line for text in texts for line in text[1:])]) + "\n")
    return folder


def seasons(folder: Path, rounds: int = ROUNDS) -> Path:
    """Make an archive of gaugings, recorded stage and what is derived from it, three commits a round and three more."""
    root, now = folder / "archive", RightClock(utc_now)
    sites = [f"S{i}" for i in range(STATIONS)]
    ingest(root, [registers(folder / "registers")], by="bench", now=now)
    ingest(root, [ratings(folder / "ratings", sites)], by="bench", now=now)
    stage_m = stage(96 * DAYS * rounds)[1]
    for number in range(rounds):
        first = range(GAUGINGS * number, GAUGINGS * (number + 1), A_DEPOSIT)
        lots = [sheets(folder / "inbox" / str(at), range(at, at + A_DEPOSIT)) for at in first]
        ingest(root, lots, by="bench", now=now, render_now=False)
        days = range(DAYS * number, DAYS * (number + 1))
        stages = recorded(folder / "stage" / str(number), sites, stage_m, days)
        ingest(root, [stages], by="bench", now=now, render_now=False)
        derive(root, sites, by="bench", now=now, render_now=False)
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
        f"audit by commits: asked at most {AT_MOST:g} x, reached {other / one:.2f} x, of {count:,} gaugings in "
        f"{count:,} commits against in one ({other:.1f} s against {one:.1f} s)"
    )
    rounds = max(1, int(ROUNDS * scale))
    root = seasons(folder / "seasons", rounds)
    alone, shared = measured(lambda: sound(root), lambda: sound(root, 2), times=TIMES)
    commits = Archive(root).ledger.head_number()
    yield (
        f"audit by cores: asked at least {AT_LEAST:g} x, reached {alone / shared:.2f} x, on {os.cpu_count()} cores, of "
        f"{commits} commits of gaugings, stage and what is derived ({shared:.1f} s against {alone:.1f} s)"
    )


def main() -> int:
    """Print both ratios; an argument below 1 makes the archives smaller."""
    with tempfile.TemporaryDirectory() as place:
        for line in lines(Path(place), float(sys.argv[1]) if len(sys.argv) > 1 else 1.0):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
