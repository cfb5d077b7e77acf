"""One site changed among many: derive and render of all against that site alone, and a night without news."""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

import pandas as pd

from stillwell.adopting import adopt, deposit_of
from stillwell.archive.archive import Archive
from stillwell.deriving import derive
from stillwell.pipeline import ingest
from stillwell.render import Rendered, render

TIMES = 3


MOST = 1.5
"""Times the one site that changed that all sites may take, as was asked."""


def network(root: Path, folder: Path, sites: int, days: int) -> tuple[int, float]:
    """Take in hourly stage of so many sites and days and a rating of each; derive and render all.

    Returns
    -------
    int, float
        Files rendered, and the seconds it took.
    """
    folder.mkdir()
    names = [f"S{number:04d}" for number in range(sites)]
    lines = [f"{name},Invented {name},10,20,+00:00" for name in names]
    (folder / "sites.csv").write_text("\n".join(["site,name,latitude,longitude,utc_offset", *lines]) + "\n")
    times = pd.date_range("2025-01-01", periods=24 * days, freq="1h").strftime("%Y-%m-%dT%H:%M:%SZ")
    stage = pd.DataFrame({"site": names}).merge(pd.DataFrame({"time": times, "stage_m": 1.5}), how="cross")
    stage.to_csv(folder / "stage.csv", index=False)
    ingest(root, [folder], by="bench", render_now=False)
    said = {"valid_from": "1990-01-01T00:00Z", "by": "bench", "reason": "bench"}
    ratings = [{"rating": f"R{name}", "site": name} | said for name in names]
    shape = {"segment": 1, "from_m": 0.2, "coefficient": 4.0, "zero_stage_m": 0.2, "exponent": 2.0}
    segments = [{"rating": f"R{name}"} | shape for name in names]
    adopt(root, deposit_of("ratings", {"ratings": ratings, "rating_segments": segments}), by="bench", render_now=False)
    derive(root, by="bench", render_now=False)
    start = time.perf_counter()
    files = len(render(root, by="bench").files)
    return files, time.perf_counter() - start


def timed(step: Callable[[], object]) -> float:
    """Time one step, in s."""
    start = time.perf_counter()
    step()
    return time.perf_counter() - start


def changed(root: Path, folder: Path, site: str, moment: int) -> None:
    """Take in one more value of a site, and leave its files behind."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    when = pd.Timestamp("2025-12-01T00:00Z") + pd.Timedelta(minutes=moment)
    (folder / "stage.csv").write_text(f"site,time,stage_m\n{site},{when.isoformat()},1.6\n")
    ingest(root, [folder], by="bench")


def marks_lines(root: Path, folder: Path, sites: int = 1000, days: int = 5) -> str:
    """Compare derive and render of all with those of the one site that changed; smallest times, taken alternately."""
    files, rendering = network(root, folder / "in", sites, days)
    best = dict.fromkeys([(act, how) for act in ("derive", "render") for how in ("all", "one", "none")], float("inf"))
    with patch("stillwell.pipeline.render_after", _unrendered), patch("stillwell.deriving.render_after", _unrendered):
        for number in range(2 * TIMES):
            how, site = ("all", "one")[number % 2], f"S{number:04d}"
            changed(root, folder / "more", site, number)
            wanted = None if how == "all" else [site]
            for act, step in (("derive", derive), ("render", render)):
                best[act, how] = min(best[act, how], timed(lambda step=step, wanted=wanted: step(root, wanted, by="b")))
                best[act, "none"] = min(best[act, "none"], timed(lambda step=step: step(root, by="b")))
    listing = min(timed(lambda: Archive(root, complete=True).listing()) for _ in range(TIMES))
    lines = [
        f"{act} of {sites} sites, one changed: {best[act, 'all']:.2f} s, {best[act, 'all'] / best[act, 'one']:.2f} x "
        f"that site alone; asked: within {MOST:g} x"
        for act in ("derive", "render")
    ]
    quiet = ", ".join(f"{act} {best[act, 'none']:.2f} s" for act in ("derive", "render"))
    lines.append(f"a night without news at {sites} sites: {quiet}; listing {listing:.2f} s; asked: what listing costs")
    lines.append(f"render {files:,} files of {days} days each: {1000 * rendering / files:.1f} ms a file")
    return "\n".join(lines)


def _unrendered(*args: object, **more: object) -> Rendered:
    """Leave files behind, so that a rendering is timed by itself."""
    return Rendered()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as tmp:
        print(marks_lines(Path(tmp) / "archive", Path(tmp), *(int(word) for word in sys.argv[1:])))
