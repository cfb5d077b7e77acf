"""What commands on a small archive cost of processor time, start-up included; `make bench`.

Each command runs in a process of its own, after a first run that leaves the compiled modules behind as an installation
has them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

SAMPLE = Path(__file__).resolve().parents[2] / "sample_archive" / "archive"
GAUGING = "INV-KES.20241009T111000Z.INV-AC1"
ASKED_S = {"--help": 0.15, "list": 0.6, "show": 0.6, "query": 0.6, "ingest of one gauging": 1.0}
"""Seconds of processor time that a command may take, as was asked."""
TIMES = 5


def processor_s(command: list[str], environment: dict[str, str]) -> float:
    """Run a command and return the user and system time it took, in s; a command that fails is an error."""
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    return usage.ru_utime + usage.ru_stime


def lines(tmp: Path) -> list[str]:
    """Say the least of some runs of each command beside what was asked."""
    from tests.benchmarks.run import deposit

    root, new = tmp / "archive", tmp / "new"
    shutil.copytree(SAMPLE, root)
    sheet = deposit(tmp / "sheet", 1, 1)
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment |= {"PYTHONPYCACHEPREFIX": str(tmp / "compiled"), "STILLWELL_CLOCK_IS_RIGHT": "1"}
    commands = {
        "--help": ["--help"],
        "list": ["list", "--archive", str(root)],
        "show": ["show", GAUGING, "--archive", str(root)],
        "query": ["query", "SELECT site, count(*) FROM gaugings GROUP BY site", "--archive", str(root)],
        "ingest of one gauging": ["ingest", str(sheet), "--archive", str(new)],
    }
    out = []
    for name, words in commands.items():
        spent = []
        for _ in range(TIMES + 1):
            shutil.rmtree(new, ignore_errors=True)
            spent.append(processor_s([sys.executable, "-m", "stillwell.cli", *words], environment))
        out.append(f"{name}: {min(spent[1:]):.2f} s of processor; asked: within {ASKED_S[name]:g} s")
    return out


if __name__ == "__main__":
    import tempfile

    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    with tempfile.TemporaryDirectory() as folder:
        print("\n".join(lines(Path(folder))))
