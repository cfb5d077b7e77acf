"""WHEN things happen: Prefect flows around the pipeline's functions, quiet, without a server or a network."""

import atexit
import os
import shutil
import tempfile

QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_LEVEL": "WARNING",
    "PREFECT_CLI_COLORS": "false",
}
"""Set before Prefect is imported; what is already set in the environment holds."""

for name, value in QUIET.items():
    os.environ.setdefault(name, value)

if "PREFECT_HOME" not in os.environ:
    # Prefect makes its home when it is imported, so a temporary one must exist before that
    os.environ["PREFECT_HOME"] = tempfile.mkdtemp(prefix="stillwell-flows-")
    atexit.register(shutil.rmtree, os.environ["PREFECT_HOME"], ignore_errors=True)
