"""Make the archives of an older day that every later version must still read; run once per schema version, by hand.

``python -m tests.golden.make_golden`` leaves those that exist as they are. ``archive_2.0_first`` is what
``make_recorded`` wrote with the last version whose gaugings had the column ``quality`` and whose rendering was 1.
"""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import compact, decide, ingest
from stillwell.schemas import SCHEMA_VERSION
from stillwell.shared_types import Deposit
from tests.pipeline.season import clock, registers, sheets

HERE = Path(__file__).parent


def make(folder: Path) -> Path:
    """Write an archive with two gaugings, a revision, a review, a check and a compaction."""
    now, root = clock(), folder / "archive"
    for deposit in (
        registers(folder / "registers"),
        sheets(folder / "first", "1", "2"),
        sheets(folder / "revised", "2", velocity=0.5),
    ):
        ingest(root, [deposit], by="T1", now=now)
    row = {"subject": "S1.20250501T100000Z.M1", "decision": "approved", "reason": "looked at"}
    decide(root, "reviews", [row], by="R1", now=now)
    compact(root, most=1, keep_days=0, by="T1", now=now)
    return root


def make_recorded(folder: Path, now: Callable[[], datetime] | None = None) -> Path:
    """Write the same archive and more: a record, and a gauging moved to another site.

    The archive holds stage and a rating of site S1 with the record derived from them, and a gauging of S1 that was
    corrected to S2.
    """
    root, now = make(folder), now or clock(datetime(2026, 2, 1, tzinfo=UTC))
    ingest(root, [sheets(folder / "astray", "9")], by="T1", now=now)
    moved = sheets(folder / "moved", "9", site="S2", corrects="S1.20250509T100000Z.M1")
    ingest(root, [moved], by="T1", now=now)
    (folder / "logger").mkdir()
    hours = "".join(f"S1,2025-05-{day:02d}T{hour:02d}:00Z,1.5\n" for day in (1, 2) for hour in range(24))
    (folder / "logger" / "stage.csv").write_text(f"site,time,stage_m\n{hours}")
    ingest(root, [folder / "logger"], by="T1", now=now)
    adopt(root, _rating(), by="H1", now=now)
    derive(root, by="H1", now=now)
    return root


COMMITS = 104
"""Commits of the long archive: more than lie between two checkpoints, and some after the last."""


def make_long(folder: Path) -> Path:
    """Write the same archive and more: one reading of the staff in each of many commits, and a second compaction."""
    now = clock(datetime(2026, 2, 1, tzinfo=UTC))
    root = make_recorded(folder, now)
    while (number := Archive(root).ledger.head_number()) < COMMITS:
        if number == COMMITS // 2:
            compact(root, most=8, keep_days=0, by="T1", now=now)
        reading = folder / f"reading {number}"
        reading.mkdir()
        line = f"S1,2025-06-01T{number // 60:02d}:{number % 60:02d}Z,1.{number:03d}\n"
        (reading / "gauge_heights.csv").write_text(f"site,read_at,gauge_height_m\n{line}")
        ingest(root, [reading], by="T1", now=now)
    return root


def _rating() -> Deposit:
    rating = {"rating": "R1", "site": "S1", "valid_from": "2025-01-01T00:00Z", "by": "H1", "reason": "made up"}
    segment = {"rating": "R1", "segment": 1, "from_m": 0.5, "coefficient": 10.0, "zero_stage_m": 0.5, "exponent": 2.0}
    return deposit_of("rating R1", {"ratings": [rating], "rating_segments": [segment]})


def main() -> None:
    """Write the archives as zips named after their schema version."""
    for name, how in (("", make), ("_long", make_long)):
        target = HERE / f"archive_{SCHEMA_VERSION}{name}.zip"
        if target.exists():
            print(f"{target.name} is there and stays as it is")  # noqa: T201
        else:
            _pack(how, target)


def _pack(how: Callable[[Path], Path], target: Path) -> None:
    with tempfile.TemporaryDirectory() as tmp, zipfile.ZipFile(target, "w") as out:
        root = how(Path(tmp))
        for path in sorted(p for p in root.rglob("*") if p.is_file() and p.parent.name != "work"):
            out.writestr(zipfile.ZipInfo(path.relative_to(root).as_posix()), path.read_bytes(), zipfile.ZIP_DEFLATED)


if __name__ == "__main__":
    main()
