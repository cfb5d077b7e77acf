"""Fifty years of 15-minute stage in a logger's text file through an intake map: seconds and memory, printed."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.fingerprint import sha256
from stillwell.intake.interpret import interpret
from stillwell.intake.maps.map_file import map_from
from stillwell.shared_types import Deposit, DepositFile

FIFTY_YEARS = 1_753_200
HEAD = """kind = "map"
name = "bench"
[[files]]
match = ["log.csv"]
header_line = 2
first_line = 4
ignored = ["Bat [V]"]
[[files.tables]]
table = "stage"
constants = { site = "S1", sensor = "a" }
no_value = { "Value" = ["NaN", "-9999"] }
"""
RANGE = 'from_range.stage_m = { column = "Value", unit = "cm", sensor_m = 5.123 }\n'
PRESSURE = (
    'from_pressure.stage_m = { column = "Value", unit = "mbar", sensor_m = 0.2, density_kg_m3 = 999.7, '
    "gravity_m_s2 = 9.806, air = 1013.2, air_unit = 'mbar' }\n"
)
TIMES = {
    "ISO with offset": ("%Y-%m-%dT%H:%M:%SZ", 'columns = { "Time" = "time" }\n'),
    "US with AM/PM": (
        "%m/%d/%Y %I:%M %p",
        'times.time = { columns = ["Time"], format = "%m/%d/%Y %I:%M %p", offset = "-07:00" }\n',
    ),
    "a zone": (
        "%d.%m.%Y %H:%M",
        'times.time = { columns = ["Time"], format = "%d.%m.%Y %H:%M", zone = "America/Phoenix" }\n',
    ),
    "epoch": (
        "",
        'times.time = { columns = ["Time"], counts = "seconds", since = "1970-01-01", offset = "+00:00" }\n',
    ),
}


def logger_file(rows: int, form: str, decimals: int = 2) -> bytes:
    """Invent a logger's file: a line of junk, a header, a line of units, a thousandth of the values missing."""
    rng = np.random.default_rng(1)
    seconds = 10**9 + 900 * np.arange(rows, dtype=np.int64)
    moments = pa.array((seconds * 1_000_000).view("datetime64[us]")).cast(pa.timestamp("s"))
    times = pc.strftime(moments, format=form) if form else pc.cast(pa.array(seconds), pa.string())
    values = 1250 + 40 * np.sin(np.arange(rows) / 5000) + rng.normal(0, 1, rows)
    words = np.where(rng.random(rows) < 1e-3, "NaN", np.round(values, decimals).astype(str))
    battery = pa.array(np.round(rng.normal(12, 0.1, rows), 2).astype(str))
    body = pc.binary_join_element_wise(times, pa.array(words), battery, ",")
    return b"series 7\nTime,Value,Bat [V]\n-,unit,V\n" + "\n".join(body.to_pylist()).encode() + b"\n"


def watch(sizes: list[int], done: threading.Event) -> None:
    """Note how much memory the process holds, fifty times a second."""
    while not done.wait(0.02):
        sizes.append(psutil.Process().memory_info().rss)


def one(file: Path, map_file: Path) -> str:
    """Read one file, and say how long it took and how much memory beside the bytes of the file."""
    data = file.read_bytes()
    deposit = Deposit(file.name, "csv", sha256(data), (DepositFile(file.name, data),))
    intake_map = map_from(map_file.read_text(encoding="utf-8"))
    sizes, done = [psutil.Process().memory_info().rss], threading.Event()
    watcher = threading.Thread(target=watch, args=(sizes, done))
    watcher.start()
    start, worked = time.perf_counter(), time.process_time()
    made = interpret([deposit], None, intake_map)
    spent, worked = time.perf_counter() - start, time.process_time() - worked
    done.set()
    watcher.join()
    grown = max(sizes) - sizes[0]
    rows = data.count(b"\n") - 3
    said = made.notes["note"].str.extract(r"with no value in 'Value': ([\d,]+)")[0].dropna().iloc[0]
    if len(made.tables["stage"]) + int(said.replace(",", "")) != rows or len(made.problems):
        msg = f"expected {rows} rows, taken or without a value, found {len(made.tables['stage'])} and {said}"
        raise ValueError(msg)
    size = f"a file of {len(data) / 2**20:.0f} MiB"
    return f"{spent:.1f} s ({worked:.1f} s of processor), memory at the peak {grown / len(data):.0f} times {size}"


def maps() -> None:
    """Print a line for each kind of time, for a pressure of many digits, and for twice the rows."""
    cases = [(f"{name}, range", FIFTY_YEARS, form, HEAD + text + RANGE, 2) for name, (form, text) in TIMES.items()]
    form, text = TIMES["epoch"]
    cases.append(("epoch, pressure of six decimals", FIFTY_YEARS, form, HEAD + text + PRESSURE, 6))
    cases.append(("epoch, range, twice the rows", 2 * FIFTY_YEARS, form, HEAD + text + RANGE, 2))
    with tempfile.TemporaryDirectory() as folder:
        file, map_file = Path(folder) / "log.csv", Path(folder) / "map.toml"
        for name, rows, form, text, decimals in cases:
            file.write_bytes(logger_file(rows, form, decimals))
            map_file.write_text(text, encoding="utf-8")
            # each in a process of its own, so that its memory is its own
            command = [sys.executable, __file__, str(file), str(map_file)]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            print(f"{rows:,} rows through a map, {name}: {done.stdout.strip()}")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        print(one(Path(sys.argv[1]), Path(sys.argv[2])))
    else:
        maps()
