"""Make the archive of an older day that every later version must still read; run once per schema version, by hand.

``python -m tests.golden.make_golden`` refuses to write over one that exists.
"""

from __future__ import annotations

import tempfile
import zipfile
from pathlib import Path

from schemas import SCHEMA_VERSION
from stillwell.pipeline import compact, decide
from tests.pipeline.season import clock, registers, sheets

HERE = Path(__file__).parent


def make(folder: Path) -> Path:
    """Write an archive with two gaugings, a revision, a review, a check and a compaction."""
    from stillwell.pipeline import ingest

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


def main() -> None:
    """Write the archive as a zip named after its schema version."""
    target = HERE / f"archive_{SCHEMA_VERSION}.zip"
    if target.exists():
        msg = f"{target.name} is there and must stay as it is"
        raise SystemExit(msg)
    with tempfile.TemporaryDirectory() as tmp, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as out:
        root = make(Path(tmp))
        for path in sorted(p for p in root.rglob("*") if p.is_file() and p.parent.name != "work"):
            out.writestr(zipfile.ZipInfo(path.relative_to(root).as_posix()), path.read_bytes())


if __name__ == "__main__":
    main()
