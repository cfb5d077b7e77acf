"""What the ingest of one long file of recorded stage takes of memory and time, in a process of its own."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np

ROWS = 1_000_000
MOST = 10.0
"""Times the size of its file that an ingest may take beyond what its libraries and the file of a site do."""
MAP = """kind = "map"
name = "logger"
[[files]]
match = ["stage.csv"]
delimiter = ";"
header_line = 2
ignored = ["State"]
[[files.tables]]
table = "stage"
constants = { site = "S1", sensor = "radar" }
columns = { "Level" = "stage_mm" }
times.time = { columns = ["Date", "Time"], format = "%d.%m.%Y %H:%M:%S", offset = "+01:00" }
"""
KINDS = ("own", "mapped", "quoted", "newest")
"""Our layout; another one through a map, which keeps the figure as written; quotes around cells; the newest first."""
SITE = "site,name,latitude,longitude,utc_offset\nS1,Invented,10.0,20.0,+01:00\n"
START = 820_454_400
"""1996-01-01T00:00Z in seconds."""


def stage_file(path: Path, rows: int, kind: str) -> Path:
    """Write a file of 15-minute stage, in millimetres that rise and fall."""
    step = np.random.default_rng(1).normal(0, 0.1, rows)
    level = np.rint(1500 + np.cumsum(step) + 300 * np.sin(np.arange(rows) / 3000)).astype(int).tolist()
    times = np.datetime_as_string((START + 900 * np.arange(rows)).astype("datetime64[s]"), unit="s").tolist()
    if kind == "mapped":
        head = "Station;River\nDate;Time;Level;State\n"
        lines = [f"{t[8:10]}.{t[5:7]}.{t[:4]};{t[11:]};{y};ok\n" for t, y in zip(times, level, strict=True)]
    else:
        cells = [("site", "sensor", "time", "stage_m")]
        cells += [("S1", "radar", f"{t}Z", f"{y / 1000:.3f}") for t, y in zip(times, level, strict=True)]
        quote = '"' if kind == "quoted" else ""
        head, *lines = [quote + f"{quote},{quote}".join(row) + quote + "\n" for row in cells]
        lines = lines[::-1] if kind == "newest" else lines
    path.write_text(head + "".join(lines), encoding="utf-8")
    return path


def stage_peak(folder: Path, rows: int, kind: str) -> tuple[float, float, float]:
    """Take a file of stage in a process of its own.

    Parameters
    ----------
    folder : Path
        Empty, for the file and the archive.
    rows : int
    kind : str
        One of ``KINDS``.

    Returns
    -------
    float, float, float
        Size of the file and memory at the peak beyond what the process took before, in MiB; seconds.
    """
    folder.mkdir(parents=True)
    file = stage_file(folder / "stage.csv", rows, kind)
    (folder / "map.toml").write_text(MAP, encoding="utf-8")
    (folder / "sites.csv").write_text(SITE, encoding="utf-8")
    command = [sys.executable, "-m", "tests.benchmarks.bench_stage", str(folder), kind, str(rows)]
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=root)
    peak, spent = (float(word) for word in done.stdout.split())
    return file.stat().st_size / 2**20, peak, spent


def stage_lines(folder: Path, rows: int = ROWS) -> list[str]:
    """Say for each kind of file what its ingest took."""
    lines = []
    for kind in KINDS:
        size, peak, spent = stage_peak(folder / kind, rows, kind)
        lines.append(
            f"ingest of {rows:,} rows of stage, {kind}: a file of {size:.1f} MiB, peak memory {peak:.0f} MiB, "
            f"{peak / size:.1f} x the file of the {MOST:g} x promised ({spent:.1f} s)"
        )
    return lines


def main() -> int:
    """Take the site, then the file, and print the peak beyond what was held before it, in MiB, and the seconds."""
    from stillwell.pipeline.ingest import ingest

    folder, kind, rows = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    ingest(folder / "archive", [folder / "sites.csv"], by="bench")
    before = _held("VmRSS:")
    # from here on the system counts the peak anew
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    start = time.perf_counter()
    used = folder / "map.toml" if kind == "mapped" else None
    taken = ingest(folder / "archive", [folder / "stage.csv"], by="bench", map_path=used)
    spent = time.perf_counter() - start
    stage = None if taken.prepared is None else taken.prepared.tables["stage"]
    if stage is None or len(stage) != rows or not taken.all_good:
        msg = f"expected {rows} values of stage, found {0 if stage is None else len(stage)}"
        raise ValueError(msg)
    print(_held("VmHWM:") - before, spent)
    return 0


def _held(what: str) -> float:
    return int(Path("/proc/self/status").read_text(encoding="ascii").split(what)[1].split()[0]) / 1024


if __name__ == "__main__":
    sys.exit(main())
