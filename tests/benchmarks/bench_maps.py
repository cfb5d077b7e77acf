"""Fifty years of 15-minute stage in a logger's text file through an intake map: seconds and memory, printed."""

from __future__ import annotations

import resource
import subprocess
import sys
import time

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from stillwell.fingerprint import sha256
from stillwell.intake.interpret import interpret
from stillwell.intake.maps import map_from
from stillwell.records import Deposit, DepositFile

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


def one(rows: int, form: str, text: str, decimals: int) -> str:
    """Read one file, and say how long it took and how much memory more than the bytes of the file."""
    data = logger_file(rows, form, decimals)
    deposit = Deposit("log.csv", "csv", sha256(data), (DepositFile("log.csv", data),))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    made = interpret([deposit], None, map_from(text))
    spent = time.perf_counter() - start
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    stage = made.tables["stage"]
    counted = made.notes["note"].str.extract(r"^([\d,]+) rows with no value")[0].dropna().iloc[0]
    lost = int(counted.replace(",", ""))
    if len(stage) + lost != rows or len(made.problems):
        msg = f"expected {rows} rows, taken or without a value, found {len(stage)} and {lost}"
        raise ValueError(msg)
    size = len(data) / 2**20
    return (
        f"{spent:.1f} s, {rows / spent:,.0f} rows a second, {grown / len(data):.0f} x the file of {size:.0f} MiB more"
    )


def maps() -> None:
    """Print a line for each kind of time, for a pressure of many digits, and for twice the rows."""
    cases = [
        (f"{name}, range in cm", FIFTY_YEARS, form, HEAD + text + RANGE, 2) for name, (form, text) in TIMES.items()
    ]
    form, text = TIMES["epoch"]
    cases.append(("epoch, pressure of six decimals", FIFTY_YEARS, form, HEAD + text + PRESSURE, 6))
    cases.append(("epoch, range in cm, twice the rows", 2 * FIFTY_YEARS, form, HEAD + text + RANGE, 2))
    for name, rows, form, text, decimals in cases:
        # each in a process of its own, so that its memory is its own
        done = subprocess.run(
            [sys.executable, __file__, str(rows), form, text, str(decimals)], check=True, capture_output=True, text=True
        )
        print(f"{rows:,} rows through a map, {name}: {done.stdout.strip()}")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        print(one(int(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4])))
    else:
        maps()
