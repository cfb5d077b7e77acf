"""Settings for all tests."""

import atexit
import gc
import os
import shutil
import tempfile

from hypothesis import HealthCheck, settings

# set before numpy and pyarrow are imported: one worker a core, so that more threads would only wait for one another
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
    # where no compiled modules may be left about, each process that a test starts would compile all libraries anew
    compiled = tempfile.mkdtemp(prefix="compiled")
    atexit.register(shutil.rmtree, compiled, ignore_errors=True)
    os.environ["PYTHONPYCACHEPREFIX"] = compiled

settings.register_profile("stillwell", max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("stillwell")


def pytest_collection_finish():
    """Leave what was imported out of garbage collection, and collect less often: a sixth of the time of all tests."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 20, 20)
