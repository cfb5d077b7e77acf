"""One site changed among many: derive and render of all against an archive of that site alone; nights without news."""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from unittest.mock import patch

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.outputs import Output
from stillwell.archive.netcdf.render import rendered
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import compact, ingest
from stillwell.pipeline.render import Rendered, render
from stillwell.prepare.derive_from_change import derived_from_change

TIMES = 5
ASKED = 1.5
"""Most that one changed site among many may cost, in times of that site alone in an archive."""
EVERY = 4
"""Commits between two checkpoints here: an archive of years has one, without years of nights to make it."""


def network(root: Path, folder: Path, sites: int, days: int) -> None:
    """Take in hourly stage of so many sites and days, the same at each, and a rating of each; derive and render all.

    All records hold the same values, so that the rows of one serve for the others; so do its files, which are listed
    and not opened here.
    """
    _taken(root, folder, sites, days)
    with patch("stillwell.pipeline.derive.derived_from_change", _Alike()):
        derive(root, by="bench")
    with patch("stillwell.archive.netcdf.render.rendered", _copies):
        render(root, by="bench")


def render_line(root: Path, folder: Path, sites: int = 40, days: int = 30) -> str:
    """Say what a NetCDF file costs, of so many sites and days, all rendered at once."""
    _taken(root, folder, sites, days, render_now=False)
    derive(root, by="bench", render_now=False)
    start = time.perf_counter()
    files = len(render(root, by="bench").files)
    spent = time.perf_counter() - start
    return f"render {files:,} files of {sites} sites x {days} days: {1000 * spent / files:.1f} ms a file"


def _taken(root: Path, folder: Path, sites: int, days: int, *, render_now: bool = True) -> None:
    """Take in hourly stage of so many sites and days, the same at each, and a rating of each."""
    folder.mkdir()
    names = [f"S{number:04d}" for number in range(sites)]
    lines = [f"{name},Invented {name},10,20,+00:00" for name in names]
    (folder / "sites.csv").write_text("\n".join(["site,name,latitude,longitude,utc_offset", *lines]) + "\n")
    times = pd.date_range("2025-01-01", periods=24 * days, freq="1h").strftime("%Y-%m-%dT%H:%M:%SZ")
    stage = pd.DataFrame({"site": names}).merge(pd.DataFrame({"time": times, "stage_m": 1.5}), how="cross")
    stage.to_csv(folder / "stage.csv", index=False)
    ingest(root, [folder], by="bench", render_now=render_now)
    said = {"valid_from": "1990-01-01T00:00Z", "by": "bench", "reason": "bench"}
    ratings = [{"rating": f"R{name}", "site": name} | said for name in names]
    shape = {"segment": 1, "from_m": 0.2, "coefficient": 4.0, "zero_stage_m": 0.2, "exponent": 2.0}
    segments = [{"rating": f"R{name}"} | shape for name in names]
    tables = {"ratings": ratings, "rating_segments": segments}
    adopt(root, deposit_of("ratings", tables), by="bench", render_now=render_now)


class _Alike:
    """Derives the first record it is asked for, and gives its rows for every other site."""

    def __init__(self) -> None:
        self._rows: dict[str, pd.DataFrame] = {}

    def __call__(self, view: object, site: str, *more: object) -> dict[str, pd.DataFrame]:
        if not self._rows:
            self._rows = derived_from_change(view, site, *more)
        names = {"site": site, "rating": f"R{site}"}
        return {
            table: rows.assign(
                **{name: pd.Series(text, index=rows.index, dtype=rows[name].dtype)
                   for name, text in names.items() if name in rows}
            )
            for table, rows in self._rows.items()
        }  # fmt: skip


def _copies(archive: Archive, wanted: Sequence[Output], office: Mapping[str, str]) -> Iterator[tuple[str, bytes]]:
    """Render the files of one site, and give them for every other."""
    made: dict[str, bytes] = {}
    for output in wanted:
        name = output.path.rpartition("/")[2]
        if name not in made:
            made[name] = next(rendered(archive, [output], office))[1]
        yield output.path, made[name]


def timed(step: Callable[[], object]) -> tuple[float, float]:
    """Time one step: by the clock and by the processor, in s."""
    start = time.perf_counter(), time.process_time()
    step()
    return time.perf_counter() - start[0], time.process_time() - start[1]


def changed(root: Path, folder: Path, site: str, moment: int) -> None:
    """Take in one more value of a site, and leave its files behind."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    when = pd.Timestamp("2025-12-01T00:00Z") + pd.Timedelta(minutes=moment)
    (folder / "stage.csv").write_text(f"site,time,stage_m\n{site},{when.isoformat()},1.6\n")
    ingest(root, [folder], by="bench")


def marks_lines(root: Path, folder: Path, sites: int = 1000, days: int = 5) -> str:
    """Compare derive and render of many sites, one of which changed, with an archive of that site alone.

    As taken in, and compacted; the smallest times of steps taken alternately.
    """
    alone = folder / "alone"
    with ExitStack() as patched:
        for where in ("stillwell.pipeline.ingest.render_after", "stillwell.pipeline.derive.render_after"):
            patched.enter_context(patch(where, _unrendered))
        patched.enter_context(patch("stillwell.archive.ledger.chain.CHECKPOINT_EVERY", EVERY))
        network(root, folder / "in", sites, days)
        network(alone, folder / "in alone", 1, days)
        lines = _lines(root, alone, folder, sites, "as taken in")
        compact(root, by="bench")
        return "\n".join([*lines, *_lines(root, alone, folder, sites, "compacted")])


def _lines(root: Path, alone: Path, folder: Path, sites: int, how: str) -> list[str]:
    best: dict[tuple[str, str, bool], tuple[float, float]] = {}
    for number in range(TIMES):
        for one in (root, alone):
            changed(one, folder / "more", "S0000", 100 * (how == "compacted") + number)
            for act, step in (("derive", derive), ("render", render)):
                for news in ("one changed", "no news"):
                    spent, before = (
                        timed(lambda step=step, one=one: step(one, by="b")),
                        best.get((act, news, one == root)),
                    )
                    best[act, news, one == root] = spent if before is None else tuple(map(min, spent, before))
    lines = []
    for act in ("derive", "render"):
        many, single, quiet = (
            best[act, "one changed", True],
            best[act, "one changed", False],
            best[act, "no news", True],
        )
        lines.append(
            f"{act} of {sites} sites {how}, one changed: {many[0]:.2f} s, that site alone {single[0]:.2f} s: "
            f"asked {ASKED}, reached {many[0] / single[0]:.2f} by the clock, {many[1] / single[1]:.2f} by the "
            f"processor; without news {quiet[0]:.2f} s"
        )
    return lines


def _unrendered(*args: object, **more: object) -> Rendered:
    """Leave files behind, so that a rendering is timed by itself."""
    return Rendered()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as tmp:
        print(marks_lines(Path(tmp) / "archive", Path(tmp), *(int(word) for word in sys.argv[1:])))
