"""Settings for all tests."""

import atexit
import gc
import os
import shutil
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from xdist.scheduler import WorkStealingScheduling

# set before numpy and pyarrow are imported: one worker a core, so that more threads would only wait for one another
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
    # where no compiled modules may lie beside sources, each process would compile all libraries anew
    COMPILED = Path(sys.prefix) / "compiled"
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix = str(COMPILED)
    sys.dont_write_bytecode = False
    # modules that tests wrote and ran go with them
    atexit.register(lambda: shutil.rmtree(COMPILED / tempfile.gettempdir().lstrip("/"), ignore_errors=True))

MEMORY = Path("/dev/shm")
ENOUGH = 8 * 2**30
"""Bytes free for the folders of all tests, which come to less than half of it."""
if "TMPDIR" not in os.environ and MEMORY.is_dir() and os.access(MEMORY, os.W_OK):
    # files of tests need not outlive the machine; on a disk the suite waits for fsync a fifth of its time
    volume = os.statvfs(MEMORY)
    if volume.f_bavail * volume.f_frsize > ENOUGH and not volume.f_flag & os.ST_NOEXEC:
        os.environ["TMPDIR"] = str(MEMORY)
        tempfile.tempdir = None

settings.register_profile("stillwell", max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("stillwell")


def pytest_collection_finish():
    """Leave what was imported out of garbage collection, and collect less often: a sixth of the time of all tests."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 20, 20)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Give each process tests that follow one another, so that what a module makes for its tests is made once."""
    return WorkStealingScheduling(config, log) if config.getoption("dist") == "load" else None
