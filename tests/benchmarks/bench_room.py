"""The reading room over fifty years of quarter hours: first picture, zoom, weight, peaks, readers during an ingest."""

from __future__ import annotations

import multiprocessing
import shutil
import socket
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import numpy as np
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.pipeline.ingest import ingest
from tests.benchmarks.long_record import SITE, VALUES, long_archive

READERS = 20
WINDOWS = 20
PAGE = f"/sites/{SITE}"


def _serve(root: str, port: int) -> None:
    from stillwell.room import serve

    serve(Path(root), port=port)


def _wait_for(base: str, process: multiprocessing.process.BaseProcess) -> None:
    while True:
        try:
            httpx.get(f"{base}/about", timeout=60)
        except httpx.TransportError:
            if not process.is_alive():
                msg = f"the reading room ended with {process.exitcode} before it answered"
                raise RuntimeError(msg) from None
            time.sleep(0.05)
        else:
            return


@contextmanager
def room(root: Path) -> Iterator[str]:
    """Open the room in a process of its own; yields its address."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(str(root), port), daemon=True)
    process.start()
    base = f"http://127.0.0.1:{port}"
    try:
        _wait_for(base, process)
        yield base
    finally:
        process.terminate()
        process.join(20)


def seconds(ask: Callable[[], httpx.Response], times: int = 5) -> float:
    """Return the least time an answer took."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        ask().raise_for_status()
        best = min(best, time.perf_counter() - start)
    return best


def windows(root: Path, count: int = WINDOWS) -> list[dict[str, str]]:
    """Invent windows of a day to twenty years within the record."""
    rows = Archive(root).read("stage", [SITE], ["time"])["time"]
    rng = np.random.default_rng(3)
    lengths = np.geomspace(1, 365 * 20, count) * 86_400
    out = []
    for length in lengths.tolist():
        room_left = (rows.iloc[-1] - rows.iloc[0]).total_seconds() - length
        start = rows.iloc[0] + pd.Timedelta(seconds=rng.uniform(0, max(room_left, 1.0)))
        end = start + pd.Timedelta(seconds=length)
        out.append({"from": f"{start:%Y-%m-%dT%H:%M:%SZ}", "to": f"{end:%Y-%m-%dT%H:%M:%SZ}"})
    return out


def alone(client: httpx.Client, root: Path) -> list[str]:
    """Measure one reader: the page cold and warm, zooms, its weight, and whether peaks are kept."""
    cold = seconds(lambda: client.get(PAGE), times=1)
    warm = seconds(lambda: client.get(PAGE))
    asked = windows(root)
    zooms = [seconds(lambda w=w: client.get(f"{PAGE}/hydrograph", params=w), times=3) for w in asked]
    own = sum(len(client.get(f"/static/{name}").content) for name in ("room.css", "room.js", "mark.svg"))
    weight = (len(client.get(PAGE).content) + own) / 1e6
    kept = _peaks_kept(client, root, asked)
    return [
        f"page of a site with 50 years of quarter hours: {warm:.3f} s warm (under 1 s), {cold:.2f} s the first time; "
        f"{weight:.2f} MB with script and style (under 1.5 MB)",
        f"zoom of its hydrograph, {len(asked)} windows of a day to twenty years: "
        f"{1000 * statistics.median(zooms):.0f} ms in the middle, {1000 * max(zooms):.0f} ms at worst (under 200 ms)",
        f"greatest and least value kept in {kept} of {len(asked)} windows",
    ]


def _peaks_kept(client: httpx.Client, root: Path, asked: list[dict[str, str]]) -> int:
    rows = Archive(root).read("discharge", [SITE], ["time", "discharge_m3_s"]).dropna()
    kept = 0
    for window in asked:
        said = client.get(f"{PAGE}/series.json", params=window | {"series": "discharge", "width": "500"}).json()
        inside = rows["time"].between(pd.Timestamp(window["from"]), pd.Timestamp(window["to"]))
        values = rows["discharge_m3_s"][inside]
        kept += values.max() in said["values"] and values.min() in said["values"]
    return kept


def _reader(
    base: str, asked: list[dict[str, str]], stop: threading.Event, spent: list[float], wrong: list[str]
) -> None:
    with httpx.Client(base_url=base, timeout=60) as client:
        place = 0
        while not stop.is_set():
            start = time.perf_counter()
            answer = client.get(f"{PAGE}/hydrograph", params=asked[place % len(asked)])
            spent.append(time.perf_counter() - start)
            if answer.status_code != 200:
                wrong.append(f"{answer.status_code} {answer.url}")
            place += 1


def together(base: str, root: Path, work: Callable[[], object]) -> tuple[list[float], list[str], float]:
    """Let twenty readers zoom while something is done; return what each answer took, what failed, what it took."""
    stop, spent, wrong = threading.Event(), list[float](), list[str]()
    asked = windows(root)
    readers = [
        threading.Thread(target=_reader, args=(base, asked[i:] + asked[:i], stop, spent, wrong)) for i in range(READERS)
    ]
    for reader in readers:
        reader.start()
    start = time.perf_counter()
    work()
    took = time.perf_counter() - start
    stop.set()
    for reader in readers:
        reader.join()
    return spent, wrong, took


def readings(folder: Path, count: int) -> Path:
    """Write stage of another site, to be taken while readers read."""
    folder.mkdir()
    at = pd.date_range("2001-01-01", periods=count, freq="15min", tz="UTC").strftime("%Y-%m-%dT%H:%M:%SZ")
    sites = pd.DataFrame(
        {"site": ["S9"], "name": ["Invented"], "latitude": 1.0, "longitude": 2.0, "utc_offset": "+00:00"}
    )
    sites.to_csv(folder / "sites.csv", index=False)
    pd.DataFrame({"site": "S9", "time": at, "stage_m": np.round(1 + 0.2 * np.sin(np.arange(count) / 500), 3)}).to_csv(
        folder / "stage.csv", index=False
    )
    return folder


def beside(root: Path, folder: Path) -> None:
    """Take a deposit in a process of its own, as a person at a terminal does."""
    process = multiprocessing.get_context("spawn").Process(target=_take, args=(str(root), str(folder)))
    process.start()
    process.join()
    if process.exitcode:
        msg = f"the ingest beside the readers ended with {process.exitcode}"
        raise RuntimeError(msg)


def _take(root: str, folder: str) -> None:
    ingest(Path(root), [Path(folder)], by="bench")


def crowd(base: str, tmp: Path, root: Path, count: int) -> str:
    """Measure twenty readers at once while a deposit of many values is taken."""
    quiet, wrong, _ = together(base, root, lambda: time.sleep(3))
    folder = readings(tmp / "more", count)
    busy, more, took = together(base, root, lambda: beside(root, folder))
    failed = len(wrong) + len(more)
    return (
        f"{READERS} readers zooming at once: {1000 * statistics.median(quiet):.0f} ms in the middle "
        f"({len(quiet) / 3:.0f} answers a second); while {count:,} values are taken in {took:.1f} s: "
        f"{1000 * statistics.median(busy):.0f} ms in the middle, {1000 * max(busy):.0f} ms at worst, {failed} failed"
    )


def lines(tmp: Path, root: Path, scale: float = 1.0) -> list[str]:
    """Measure everything of the room over an archive of one long record."""
    with room(root) as base, httpx.Client(base_url=base, timeout=120) as client:
        return [*alone(client, root), crowd(base, tmp, root, int(300_000 * scale))]


def main() -> int:
    """Print every figure; an argument names an archive made by ``long_record`` to use a copy of."""
    with tempfile.TemporaryDirectory() as tmp:
        if len(sys.argv) > 1:
            root = Path(shutil.copytree(sys.argv[1], Path(tmp) / "archive"))
        else:
            root = long_archive(Path(tmp), VALUES)
        for line in lines(Path(tmp), root):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    sys.exit(main())
