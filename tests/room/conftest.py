"""The reading room in a thread of this process, and archives to read in it."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
import uvicorn

from stillwell.pipeline.ingest import ingest
from stillwell.room import application
from stillwell.room.server.listening import server_config

SAMPLE = Path(__file__).parents[2] / "sample_archive" / "archive"

SITES = "site,name,latitude,longitude,river,utc_offset,water_year_start_month\n"
GAUGINGS = "gauging,site,started_at,ended_at,method,instrument,party,remarks\n"
POINTS = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s\n"


@contextmanager
def opened(root, names=()):
    """Open the reading room of an archive on a free port; yields a client of it."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    app = application(root, port=port, names=names)
    config = server_config(app)
    config.host, config.port = "127.0.0.1", port
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
            yield client
    finally:
        server.should_exit = True
        thread.join(10)


@pytest.fixture(scope="session")
def room():
    """Return a client of the sample archive's reading room."""
    with opened(SAMPLE) as client:
        yield client


@pytest.fixture
def copy(tmp_path):
    """Return a copy of the sample archive that a test may damage."""
    return Path(shutil.copytree(SAMPLE, tmp_path / "archive"))


def deposit(folder, site="S1", name="A place", label="G1", **more):
    """Write a deposit of one site and one gauging, both invented, with the names given."""
    folder.mkdir(parents=True)
    cells = [f'"{text.replace(chr(34), chr(34) * 2)}"' for text in (site, name, more.get("river", "a river"))]
    row = f"{cells[0]},{cells[1]},47.1,-29.5,{cells[2]},+00:00,10\n"
    (folder / "sites.csv").write_text(SITES + row, encoding="utf-8")
    quoted = [f'"{text.replace(chr(34), chr(34) * 2)}"' for text in (label, site, more.get("remarks", "none"))]
    meter = f'"{more.get("instrument", "")}"' if more.get("instrument") else ""
    if meter:
        code = more["instrument"].replace('"', '""')
        (folder / "instruments.csv").write_text(f'instrument,kind\n"{code}",other\n', encoding="utf-8")
        meter = f'"{code}"'
    start = more.get("start", "2025-05-01T10:00+00:00")
    line = f"{quoted[0]},{quoted[1]},{start},{start.replace('T10', 'T11')},wading verticals,{meter},P1,{quoted[2]}\n"
    (folder / "gaugings.csv").write_text(GAUGINGS + line, encoding="utf-8")
    rows = [f"{quoted[0]},1,0,0,edge,,\n"]
    rows += [f"{quoted[0]},{i + 2},{0.5 * (i + 1)},0.4,open,0.6,0.3\n" for i in range(20)]
    rows.append(f"{quoted[0]},22,10.5,0,edge,,\n")
    (folder / "points.csv").write_text(POINTS + "".join(rows), encoding="utf-8")
    return folder


def archive_of(root, *folders):
    """Take deposits into an archive, one commit each."""
    for folder in folders:
        ingest(root, [folder], by="tester")
    return root
