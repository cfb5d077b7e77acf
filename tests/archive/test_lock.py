"""One writer at a time, and none for ever."""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from stillwell.archive.disk import lock
from stillwell.archive.disk.lock import hold_lock, is_held
from stillwell.errors import ArchiveError, ArchiveLocked, CannotLock

SINCE = datetime(2025, 5, 1, 8, tzinfo=UTC)
HOLDER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from stillwell.archive.disk.lock import hold_lock
with hold_lock(Path(sys.argv[1]), datetime(2025, 5, 1, 8, tzinfo=UTC)):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def holder(tmp_path):
    """Start another process that holds the lock."""
    path = tmp_path / "lock"
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with process:
        assert process.stdout.readline() == "held\n"
        yield path, process
        process.kill()


def test_a_held_lock_names_its_holder(holder):
    """Who comes second learns which process writes and since when."""
    path, process = holder

    with (
        pytest.raises(ArchiveLocked, match=f"process {process.pid}, since 2025-05-01T08:00:00"),
        hold_lock(path, SINCE, wait_s=0.2),
    ):
        pass


def test_a_killed_holder_leaves_no_lock(holder):
    """The lock dies with its holder."""
    path, process = holder
    process.send_signal(signal.SIGKILL)
    process.wait()

    with hold_lock(path, SINCE):
        assert str(os.getpid()) in path.read_text()


def test_a_lock_is_free_again_afterwards(tmp_path):
    """Also when the block fails; inside, even the same process cannot take it twice."""
    path = tmp_path / "lock"
    with hold_lock(path, SINCE), pytest.raises(ArchiveLocked), hold_lock(path, SINCE, wait_s=0):
        pass
    with pytest.raises(KeyError), hold_lock(path, SINCE):
        raise KeyError

    with hold_lock(path, SINCE):
        pass
    assert path.read_text() == ""


@pytest.mark.parametrize("code", [errno.ENOLCK, errno.EOPNOTSUPP])
def test_a_filesystem_without_locks_is_refused(tmp_path, monkeypatch, code):
    """Without a lock nothing may be written, and the message says so."""

    def flock(*_):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(fcntl, "flock", flock)

    with pytest.raises(CannotLock, match="gives no locks"), hold_lock(tmp_path / "lock", SINCE):
        pass


def test_a_folder_that_cannot_be_written_is_said_in_words(tmp_path):
    """An archive's folder that gives no place for the lock is no reason for a traceback."""
    with pytest.raises(ArchiveError, match="nothing was written"), hold_lock(tmp_path / "no" / "lock", SINCE):
        pass


@pytest.mark.parametrize("kind", ["link", "broken link", "pipe"])
def test_what_is_no_file_is_not_locked_and_what_a_link_leads_to_is_not_written(tmp_path, kind):
    """Somebody who may write in the work folder cannot have a writer empty, or make, a file elsewhere."""
    path, elsewhere = tmp_path / "lock", tmp_path / "elsewhere.txt"
    if kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to(elsewhere)
    if kind == "link":
        elsewhere.write_text("kept")

    with pytest.raises(ArchiveError, match=kind.rpartition(" ")[2]), hold_lock(path, SINCE):
        pass
    assert elsewhere.exists() == (kind == "link")
    assert kind != "link" or elsewhere.read_text() == "kept"


def test_nobody_waits_longer_than_asked(tmp_path, monkeypatch):
    """Where pauses are longer than what is left of the wait, the last is as long as what is left."""
    clock = [0.0]

    def sleep(seconds):
        clock[0] += seconds

    monkeypatch.setattr(lock, "time", SimpleNamespace(monotonic=lambda: clock[0], sleep=sleep))
    monkeypatch.setattr(lock, "LOOK_AGAIN_S", (1.0, 1.0))
    path = tmp_path / "lock"
    with (
        hold_lock(path, SINCE),
        pytest.raises(ArchiveLocked, match=r"after waiting 2\.5 s"),
        hold_lock(path, SINCE, wait_s=2.5),
    ):
        pass
    assert clock == [2.5]


def test_only_a_plain_file_that_somebody_locked_is_held(tmp_path):
    """Held inside and not afterwards; a link to it, a pipe that nobody writes, and nothing at all are not held."""
    path, link, pipe = tmp_path / "lock", tmp_path / "link", tmp_path / "pipe"
    link.symlink_to(path)
    os.mkfifo(pipe)
    assert not is_held(path)
    with hold_lock(path, SINCE):
        assert is_held(path)
        assert not is_held(link)
        assert not is_held(pipe)
    assert not is_held(path)


def test_whoever_may_write_in_the_folder_may_take_the_lock(tmp_path):
    """The file is for all to read and to write, but for what the umask takes away; none may run it."""
    before = os.umask(0)
    try:
        with hold_lock(tmp_path / "lock", SINCE):
            assert (tmp_path / "lock").stat().st_mode & 0o777 == 0o666
    finally:
        os.umask(before)
