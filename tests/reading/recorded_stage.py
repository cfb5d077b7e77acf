"""An archive with a record: two loggers, a rating and another after it, shifts, corrections, ice. All invented.

Commits: 1 registers, 2 gaugings, 3 logger ``a`` with 24 hours from 1 May, 4 logger ``b`` with 72, 5 rating R1, 6 and
7 a shift of R1 each, 8 a correction of each logger, 9 ice, 10 the record, 11 rating R2 from noon of 2 May, 12 the
record.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.derive import derive
from stillwell.shared_types import Deposit
from tests.pipeline.season import NOW, season, take

START = pd.Timestamp("2025-05-01T00:00Z")
CORRECTIONS = """site,sensor,from,to,start_m,end_m,reason,by
S1,a,2025-05-01T06:00Z,2025-05-01T12:00Z,0.01,0.01,staff read higher,H1
S1,b,2025-05-03T00:00Z,2025-05-03T06:00Z,0.02,0.02,staff read higher,H1
"""


@dataclass(frozen=True)
class Stages:
    """The archive and the digests of what went in, by name."""

    archive: Archive
    digests: dict[str, str]


def logger(folder: Path, sensor: str, hours: int, site: str = "S1", start: pd.Timestamp = START) -> Path:
    """Write hourly stages of 1.5 m of one logger."""
    folder.mkdir(parents=True, exist_ok=True)
    times = pd.date_range(start, periods=hours, freq="1h").strftime("%Y-%m-%dT%H:%MZ")
    lines = [f"{site},{sensor},{time},1.5" for time in times]
    (folder / "stage.csv").write_text("site,sensor,time,stage_m\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return folder


def rating(name: str, since: str, coefficient: float = 10.0, site: str = "S1") -> Deposit:
    """Write down ``Q = C (h - 0.5)^2``."""
    head = {"rating": name, "site": site, "valid_from": since, "by": "H1", "reason": "made up"}
    law = {"from_m": 0.5, "coefficient": coefficient, "zero_stage_m": 0.5, "exponent": 2.0}
    return deposit_of(f"rating {name}", {"ratings": [head], "rating_segments": [{"rating": name, "segment": 1} | law]})


def shift(name: str, since: str) -> Deposit:
    """Write down a shift of nothing at one moment."""
    row = {"rating": name, "from": since, "shift_m": 0.0, "by": "H1", "reason": "checked"}
    return deposit_of(f"shift {since}", {"shifts": [row]})


def stages(tmp: Path) -> Stages:
    """Take everything in and derive twice."""
    root, digests = season(tmp, render_now=False), dict[str, str]()
    for sensor, hours in (("a", 24), ("b", 72)):
        digests[sensor] = take(root, logger(tmp / sensor, sensor, hours), render_now=False).deposits[0].digest
    ice = {"site": "S1", "from": "2025-05-03T00:00Z", "to": "2025-05-03T02:00Z", "condition": "ice", "by": "H1"}
    (tmp / "corrections").mkdir()
    (tmp / "corrections" / "corrections.csv").write_text(CORRECTIONS)
    for name, deposit in {
        "R1": rating("R1", "2025-01-01T00:00Z"),
        "first": shift("R1", "2025-05-01T06:00Z"),
        "second": shift("R1", "2025-05-01T18:00Z"),
    }.items():
        digests[name] = adopt(root, deposit, by="H1", now=NOW, render_now=False).deposits[0].digest
    digests["corrections"] = take(root, tmp / "corrections", render_now=False).deposits[0].digest
    seen = deposit_of("ice", {"conditions": [ice | {"reason": "seen"}]})
    digests["ice"] = adopt(root, seen, by="H1", now=NOW, render_now=False).deposits[0].digest
    derive(root, by="H1", now=NOW, render_now=False)
    second = rating("R2", "2025-05-02T12:00Z", 20.0)
    digests["R2"] = adopt(root, second, by="H1", now=NOW, render_now=False).deposits[0].digest
    derive(root, by="H1", now=NOW, render_now=False)
    return Stages(Archive(root), digests)
