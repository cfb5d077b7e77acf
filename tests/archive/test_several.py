"""Several at once: writers wait their turn and lose nothing, readers never wait and never see half a commit."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.archive.disk.lock import LOOK_AGAIN_S, hold_lock
from stillwell.cli import app
from stillwell.errors import ArchiveLocked, CannotLock
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import ingest
from tests.pipeline.season import registers, sheets

SINCE = datetime(2025, 5, 1, 8, tzinfo=UTC)
MANY = """
import json, os, signal, sys, time, traceback
from pathlib import Path
import duckdb, netCDF4, stillwell.pipeline.documents
from stillwell.archive.archive import Archive
from stillwell.archive.writing.writer import open_writer
from stillwell.pipeline.ingest import ingest
from stillwell.reading.printed.show import show_gauging
from stillwell.reading.select.sql import ask

root, inbox, writers, readers, wait_s = Path(sys.argv[1]), Path(sys.argv[2]), *map(int, sys.argv[3:6])
over = root.parent / "over"
parent = os.getpid()

def write(number):
    for deposit in sorted(inbox.glob(f"{number}-*")):
        ingest(root, [deposit], by=f"T{number}", wait_s=wait_s)

def read(number):
    looks, before = 0, -1
    while not over.exists() and os.getppid() == parent:
        archive = Archive(root)
        gaugings, verticals = archive.standing("gaugings"), archive.standing("verticals")
        assert len(gaugings) >= before, (len(gaugings), before)
        before = len(gaugings)
        assert not gaugings["gauging_id"].duplicated().any()
        counted = verticals.groupby("gauging_id").size()
        assert set(counted.index) == set(gaugings["gauging_id"])
        assert set(counted) <= {7}, counted
        asked = ask(archive, "SELECT count(*) AS n, count(DISTINCT gauging_id) AS d FROM verticals").to_pylist()
        assert asked == [{"n": len(verticals), "d": len(gaugings)}], (asked, before)
        if before:
            assert len(show_gauging(archive, gaugings["gauging_id"].iloc[-1])) > 300
        assert archive.document("README.txt")
        looks += 1
        time.sleep(1.0)
    print(json.dumps({"looks": looks, "last": before}), flush=True)

def die(number):
    def at(step):
        if step == ("locked", "sealed", "written", "committed")[number % 4]:
            os.kill(os.getpid(), signal.SIGKILL)
    from stillwell.archive.writing.writer import Commit
    with open_writer(root, software_version="0", by="dying", wait_s=wait_s, step=at) as writer:
        writer.commit(Commit(reason="render"))

def start(task, number):
    child = os.fork()
    if child == 0:
        try:
            task(number)
            os._exit(0)
        except BaseException:
            traceback.print_exc()
            os._exit(1)
    return child

reading = [start(read, n) for n in range(readers)]
writing = [start(write, n) for n in range(writers)]
dying = [start(die, n) for n in range(4)]
ends = {kind: [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
        for kind, children in (("dying", dying), ("writing", writing))}
over.touch()
ends["reading"] = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in reading]
print(json.dumps(ends))
"""


def _inbox(folder: Path, writers: int, each: int) -> int:
    """Write deposits of one gauging each, no two of one moment and meter; and one that all of them hand in."""
    for writer in range(writers):
        for number in range(each):
            day, site = str(1 + number % 28), f"S{1 + writer % 2}"
            year = 1900 + 10 * writer + number // 28
            made = sheets(folder / f"{writer}-{number:03d}", day, site=site, instrument="M1", party=f"P{writer}")
            for name in ("gaugings", "gauge_heights"):
                path = made / f"{name}.csv"
                path.write_text(path.read_text().replace("2025-05-", f"{year}-05-"))
        sheets(folder / f"{writer}-zzz", "1", site="S1")
    return writers * each + 1


def _several(tmp: Path, writers: int, each: int, readers: int) -> list[dict[str, int]]:
    root = tmp / "archive"
    ingest(root, [registers(tmp / "registers")])
    expected = _inbox(tmp / "inbox", writers, each)
    command = [sys.executable, "-c", MANY, root, tmp / "inbox", writers, readers, 600]
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, (done.returncode, done.stderr[-3000:])
    *looks, ends = [json.loads(line) for line in done.stdout.splitlines()]
    assert ends == {"dying": [-9] * 4, "writing": [0] * writers, "reading": [0] * readers}, done.stderr[-3000:]
    gaugings = Archive(root).read("gaugings")
    assert len(gaugings) == expected
    assert not gaugings["gauging_id"].duplicated().any()
    sealed = {path.name: path for path in (tmp / "inbox").iterdir()}
    assert len(Archive(root).sealed.digests()) == len({p for p in sealed if "zzz" not in p}) + 2
    assert audit(root).faults == ()
    return looks


def test_two_writers_and_two_readers(tmp_path):
    """Two processes ingest while two read throughout and four die with the lock: every gauging is there once."""
    looks = _several(tmp_path, writers=2, each=1, readers=2)
    assert all(look["looks"] > 0 for look in looks)


@pytest.mark.soak
def test_eight_writers_and_four_readers_for_long(tmp_path):
    """The same with eight writers of ten deposits each, 80 gaugings."""
    looks = _several(tmp_path, writers=8, each=10, readers=4)
    assert all(look["looks"] > 10 for look in looks)


HOLDER = """
import sys, time
from datetime import UTC, datetime
from pathlib import Path
from stillwell.archive.disk.lock import hold_lock
with hold_lock(Path(sys.argv[1]), datetime(2025, 5, 1, 8, tzinfo=UTC)):
    print("held", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture
def holder(tmp_path):
    """Start a process that holds the lock of an archive until it is told to let go, or is killed."""
    root = tmp_path / "archive"
    ingest(root, [registers(tmp_path / "registers")])
    command = [sys.executable, "-c", HOLDER, str(root / "work" / "lock")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "held\n"
        yield root, process
        process.kill()


def test_who_waits_is_told_for_how_long(holder):
    """After the time it may wait a writer says how long it waited, for whom, and since when that one writes."""
    root, process = holder
    words = rf"process {process.pid}, since 2025-05-01T08:00:00\S*\) holds .* after waiting 0\.[3-9] s; nothing"
    with pytest.raises(ArchiveLocked, match=words), hold_lock(root / "work" / "lock", SINCE, wait_s=0.3):
        pass


def test_who_may_not_wait_is_refused_at_once(holder, tmp_path):
    """With nothing to wait the first look decides."""
    root, _ = holder
    with pytest.raises(ArchiveLocked, match="lock; nothing was written"):
        ingest(root, [sheets(tmp_path / "d", "1")], wait_s=0)


def test_a_writer_that_waits_comes_next(holder, tmp_path):
    """When the holder lets go, or is killed, the one who waits takes its turn and writes its own time into the lock."""
    root, process = holder
    command = [
        sys.executable,
        "-m",
        "stillwell.cli",
        "ingest",
        str(sheets(tmp_path / "d", "1")),
        "--archive",
        str(root),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as waiting:
        time.sleep(1.0)
        assert waiting.poll() is None
        process.kill()
        assert waiting.wait(60) == 0, waiting.stderr.read()
    assert len(Archive(root).standing("gaugings")) == 1


def test_the_time_waited_counts_into_since(tmp_path, monkeypatch):
    """The lock tells since when it is held, not since when it was asked for."""
    path = tmp_path / "lock"
    real, refused = fcntl.flock, [3]

    def flock(*how):
        refused[0] -= 1
        if refused[0] >= 0:
            raise BlockingIOError(errno.EWOULDBLOCK, "held")
        real(*how)

    monkeypatch.setattr(fcntl, "flock", flock)
    with hold_lock(path, SINCE, wait_s=30):
        since = datetime.fromisoformat(json.loads(path.read_text())["since"])
    assert 3 * LOOK_AGAIN_S[0] <= (since - SINCE).total_seconds() < 30


@pytest.mark.parametrize("code", [errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS])
def test_a_filesystem_without_locks_is_said_at_once(tmp_path, monkeypatch, code):
    """Where no lock can be had there is nothing to wait for: the command says so, and nothing is written."""

    def flock(*_):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(fcntl, "flock", flock)
    root = tmp_path / "archive"
    begun = time.monotonic()
    with pytest.raises(CannotLock, match="gives no locks"):
        ingest(root, [registers(tmp_path / "registers")], wait_s=600)
    assert time.monotonic() - begun < 60
    done = CliRunner().invoke(app, ["ingest", str(tmp_path / "registers"), "--archive", str(root)])
    assert done.exit_code == 1
    assert "gives no locks" in done.stderr
    assert not (root / "ledger").exists()


USERS = """
import os, sys
from pathlib import Path
import duckdb, netCDF4, stillwell.pipeline.documents
from stillwell.pipeline.ingest import ingest
root, group, *deposits = Path(sys.argv[1]), int(sys.argv[2]), *map(Path, sys.argv[3:])
# whatever is imported late is imported while that is allowed
ingest(root.parent / "warm", deposits[:2], by="warm")
for number, deposit in enumerate(deposits):
    user = 64001 + number % 2
    child = os.fork()
    if child == 0:
        os.umask(0o002)
        if os.geteuid() == 0:
            os.setgroups([])
            os.setgid(group)
            os.setuid(user)
        print(ingest(root, [deposit], by=f"U{user}").entry.number, flush=True)
        os._exit(0)
    if os.waitpid(child, 0)[1]:
        sys.exit(f"user {user} was refused")
"""
GROUP = 64000


def test_two_users_of_one_group_share_an_archive(tmp_path):
    """In a folder of their group, with a umask that lets the group write, each user writes after the other.

    Where the tests may not become other users, the file modes are looked at instead: all that the other would need.
    """
    root = tmp_path / "archive"
    root.mkdir()
    is_root = os.geteuid() == 0
    if is_root:
        os.chown(root, 0, GROUP)
    root.chmod(0o2775)
    for folder in (tmp_path, *(p for p in tmp_path.parents if p.stat().st_uid == os.geteuid() and len(p.parts) > 2)):
        folder.chmod(folder.stat().st_mode | 0o011)
    deposits = [registers(tmp_path / "registers"), *(sheets(tmp_path / f"d{n}", str(n)) for n in (1, 2))]
    command = [sys.executable, "-c", USERS, root, GROUP, *deposits]
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    # the registers alone render nothing; each gauging is a commit, and its rendering the next
    assert done.stdout.split() == ["1", "2", "4"]
    for path in root.rglob("*"):
        mode = path.stat().st_mode
        assert mode & 0o060 == 0o060, path
        assert not path.is_dir() or mode & 0o2010 == 0o2010, path
    assert len(Archive(root).standing("gaugings")) == 2
    if is_root:
        assert {p.stat().st_uid for p in (root / "ledger").glob("*.json")} == {64001, 64002}
    assert audit(root).faults == ()


def test_a_user_who_may_not_write_is_told_so(tmp_path):
    """Somebody outside the group is refused in words, and nothing is written."""
    root = tmp_path / "archive"
    ingest(root, [registers(tmp_path / "registers")])
    before = pd.Series(sorted(str(path) for path in root.rglob("*")))
    code = (
        "import os, sys; from pathlib import Path; from stillwell.archive.disk.lock import hold_lock\n"
        "from datetime import UTC, datetime\n"
        "os.geteuid() == 0 and os.setuid(64003)\n"
        "with hold_lock(Path(sys.argv[1]), datetime.now(UTC), wait_s=5): pass\n"
    )
    lock = root / "work" / "lock"
    lock.chmod(0o444)
    for folder in (tmp_path, *(p for p in tmp_path.parents if p.stat().st_uid == os.geteuid() and len(p.parts) > 2)):
        folder.chmod(folder.stat().st_mode | 0o011)
    done = subprocess.run([sys.executable, "-c", code, str(lock)], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "ArchiveError: expected to write in" in done.stderr
    assert "Permission denied; nothing was written" in done.stderr
    assert list(before) == sorted(str(path) for path in root.rglob("*"))
