"""Large hostile deposits in bounded memory and time, measured in a process of their own."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import RightClock
from stillwell.intake.limits import MIB, MOST_BYTES, MOST_CODES, MOST_REASONS, MOST_TABLE_ROWS
from stillwell.pipeline.ingest import ingest
from tests.benchmarks.bench_stage import KINDS, MOST, ROWS, stage_peak
from tests.hostile.making import HEADER, points_sheet, put, with_part, workbook
from tests.pipeline.season import NOW, season, sheets

CHILD = """
import sys
from pathlib import Path
import duckdb, netCDF4, openpyxl, pandera.pandas
import stillwell.pipeline.ingest
from stillwell.cli import app
def peak():
    said = Path("/proc/self/status").read_text().split("VmHWM:")[1]
    return int(said.split()[0])
before = peak()
code = 0
try:
    app(["ingest", sys.argv[1], "--archive", sys.argv[2]])
except SystemExit as end:
    code = end.code
print("measured", before, peak())
sys.exit(code)
"""
"""Peak of resident memory before and after, in KiB as Linux keeps it; what `resource` tells counts the parent's too."""
ROOM = 64 * MIB
"""What an ingest of an empty deposit takes beyond the libraries, and more: two commits' rows, a NetCDF file."""
PIECES = 80
"""MiB that do not grow with a file: rows read, judged and written some at a time, by several libraries."""
MOST_S = 120.0
"""Seconds for a short form, on a machine shared with other tests."""


def _measured(deposit: Path, root: Path) -> tuple[int, str, int, float]:
    begun = time.monotonic()
    command = [sys.executable, "-c", CHILD, str(deposit), str(root)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    measured = [line for line in done.stdout.splitlines() if line.startswith("measured")]
    assert measured, done.stderr[-2000:]
    _, before, after = measured[0].split()
    return done.returncode, done.stderr, (int(after) - int(before)) * 1024, time.monotonic() - begun


def _holds(deposit: Path, tmp_path: Path, words: str, most: int, seconds: float = MOST_S) -> None:
    """Hold a deposit against its bounds; then the next ingest works."""
    root = season(tmp_path / "season")
    code, said, memory, took = _measured(deposit, root)
    assert code == 1
    assert words in said
    assert memory < most, f"{memory / MIB:.0f} MiB in {took:.1f} s"
    assert took < seconds
    taken = ingest(root, [sheets(tmp_path / "next", "9")], now=RightClock(NOW))
    assert taken.all_good
    assert len(Archive(root).standing("gaugings")) == 3


def _line(path: Path, size: int) -> Path:
    """Make a file of one line of cells: the header, and then cells for ever."""
    with path.open("wb") as stream:
        stream.write(HEADER.encode() + b"\n")
        for _ in range(size // MIB):
            stream.write(b"1,2,3,4," * (MIB // 8))
    return path


def _packed(path: Path, size: int) -> Path:
    """Make a zip whose one file unpacks to that size, some eighty times its own."""
    numbers = random.Random(1)
    noise = numbers.randbytes(15_000).hex().encode()
    archive = zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1)
    with archive, archive.open("points.csv", "w") as stream:
        stream.write(HEADER.encode() + b"\n")
        for _ in range(size // len(noise)):
            stream.write(noise)
    return path


def _rows(path: Path, row: bytes, count: int) -> Path:
    """Make a table of points of rows that are alike, or hold their number."""
    with path.open("wb") as stream:
        stream.write(HEADER.encode() + b"\n")
        for begin in range(0, count, 1000):
            many = (row.replace(b"%d", b"%d" % number) for number in range(begin, min(begin + 1000, count)))
            stream.write(b"".join(many))
    return path


def _sheet(tmp_path: Path, count: int) -> Path:
    """Make a workbook whose sheet of points holds a row of many cells."""
    numbers = random.Random(1)
    cells = b"".join(b'<c t="n"><v>%d</v></c>' % numbers.randrange(10**6) for _ in range(count))
    data = workbook(tmp_path / "t")
    return put(tmp_path / "d.xlsx", with_part(data, points_sheet(data), b"</row>", cells + b"</row>"))


def test_a_long_line(tmp_path):
    """A line of 64 MiB is never cut into cells: it is held once to be read and once to be sealed."""
    _holds(_line(tmp_path / "points.csv", 64 * MIB), tmp_path, "lines of at most", ROOM + 3 * 64 * MIB)


def test_a_sparse_gigabyte(tmp_path):
    """A gigabyte that takes no room on disk is refused before a byte of it is read."""
    path = put(tmp_path / "points.csv", b"")
    os.truncate(path, 1024 * MIB)
    _holds(path, tmp_path, "a deposit of at most 512 MiB", ROOM)


def test_a_row_of_a_million_cells(tmp_path):
    """A row of a million cells in a workbook is given up at its 6667th."""
    _holds(_sheet(tmp_path, 1_000_000), tmp_path, "at most 500 columns", ROOM + 64 * MIB)


def test_a_long_line_in_a_zip(tmp_path):
    """A zip of 1 MiB that unpacks to 64 is unpacked once and sealed packed."""
    _holds(_packed(tmp_path / "d.zip", 64 * MIB), tmp_path, "lines of at most", ROOM + 5 * 64 * MIB // 2)


@pytest.mark.soak
def test_half_a_gigabyte_of_one_line(tmp_path):
    """The longest file a deposit may be, all of it one line."""
    path = _line(tmp_path / "points.csv", MOST_BYTES - MIB)
    _holds(path, tmp_path, "lines of at most", ROOM + 3 * MOST_BYTES, 600)


@pytest.mark.soak
def test_a_gigabyte_of_one_line_in_a_zip(tmp_path):
    """The most that a zip may unpack to, all of it one line."""
    _holds(_packed(tmp_path / "d.zip", 1023 * MIB), tmp_path, "lines of at most", ROOM + 5 * 1024 * MIB // 2, 600)


REASONS, CODES = f"at most {MOST_REASONS} reasons", f"at most {MOST_CODES} different codes"


@pytest.mark.soak
@pytest.mark.parametrize(
    ("row", "words"),
    [
        (b"a,b,c,d,e,f,g\n", REASONS),
        (b"a,1,-1e6,900,shut,7,99\n", REASONS),
        (b"%d,1,0,0,edge,,\n", CODES),
        (b"a,%d,0,0,edge,,\n", "a gauging of that label"),
    ],
    ids=["type", "range", "labels", "verticals"],
)
def test_millions_of_wrong_rows(tmp_path, row, words):
    """The most rows a file may have, wrong in every cell: by type, by range, by a gauging that nobody handed in."""
    path = _rows(tmp_path / "points.csv", row, MOST_TABLE_ROWS - 1)
    _holds(path, tmp_path, words, 5 * 1024 * MIB, 600)


@pytest.mark.soak
def test_more_rows_than_a_table_may_have(tmp_path):
    """A file of more lines than a table may have is given back before it is read."""
    _holds(_rows(tmp_path / "points.csv", b"1\n", 10_000_000), tmp_path, "lines", ROOM + 3 * 20 * MIB)


def test_two_hundred_thousand_rows_of_stage(tmp_path):
    """A fifth of a long logger file through a map: ten times its size, and what pieces of 131,072 rows take."""
    size, peak, _ = stage_peak(tmp_path / "stage", ROWS // 5, "mapped")
    assert peak < MOST * size + PIECES, f"{peak:.0f} MiB for a file of {size:.1f} MiB"


@pytest.mark.soak
@pytest.mark.parametrize("kind", KINDS)
def test_a_million_rows_of_stage(tmp_path, kind):
    """A file of recorded stage of a million rows is taken within ten times its size, whatever its layout."""
    size, peak, _ = stage_peak(tmp_path / "stage", ROWS, kind)
    assert peak < MOST * size, f"{peak:.0f} MiB for a file of {size:.1f} MiB, {peak / size:.1f} times"
