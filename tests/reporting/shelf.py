"""An archive to report on, with labels that try to break out; all invented."""

from __future__ import annotations

from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.pipeline.ingest import ingest
from tests.pipeline.season import clock, registers, sheets

HOSTILE = "<script>alert(1)</script>\"'&<b>"
PLAIN, REVERSED, FEW, ZERO = (f"S1.202505{d}T100000Z" for d in ("01", "02", "03", "04"))
CHECKS = (
    "check,instrument,checked_at,place,sample,sample_s,receiver,snr_db,water_temperature_c,reference_temperature_c\n"
)


def shelf(tmp: Path) -> Archive:
    """Take in registers, a good gauging, one that runs upstream, a zero, checks, a withdrawal and a returned sheet."""
    root, now = tmp / "archive", clock()

    def take(*paths: Path) -> None:
        ingest(root, paths, by="T1", now=now)

    folder = registers(tmp / "registers")
    quoted = '"' + HOSTILE.replace('"', '""') + '"'
    sites = (folder / "sites.csv").read_text().replace("Site 1 (invented)", quoted)
    (folder / "sites.csv").write_text(sites)
    few = sheets(tmp / "few", "3")
    lines = (few / "points.csv").read_text().splitlines()
    kept = [line for line in lines if line.split(",")[1] in {"vertical", "1", "4", "7"}]
    (few / "points.csv").write_text("\n".join(kept) + "\n")
    zero = tmp / "zero"
    zero.mkdir()
    header = "gauging,site,started_at,ended_at,method\n"
    (zero / "gaugings.csv").write_text(f"{header}Z,S1,2025-05-04T10:00Z,2025-05-04T10:05Z,observed zero\n")
    first, upstream = sheets(tmp / "first", "1", "5", remarks=quoted), sheets(tmp / "upstream", "2", velocity=-0.2)
    take(folder, first, upstream, few, zero, _checks(tmp / "checks"))
    wrong = sheets(tmp / "wrong <i>", "6")
    (wrong / "points.csv").write_text((wrong / "points.csv").read_text().replace("0.3,open", "-3,open"))
    take(wrong)
    review = tmp / "review"
    review.mkdir()
    said = f"{PLAIN[:9]}05T100000Z.M1,withdrawn,H1,2025-06-01T00:00Z,{quoted}"
    (review / "reviews.csv").write_text(f"subject,decision,by,decided_at,reason\n{said}\n")
    take(review)
    return Archive(root)


def _checks(folder: Path) -> Path:
    folder.mkdir()
    rows = [
        f"C{c},M1,2025-0{4 + c}-20T09:00Z,field,{s + 1},{s},{r},{30.0 + s % 2},{10.0 if c < 2 else 14.0},10.0\n"
        for c in (0, 1, 2)
        for s in range(20)
        for r in (1, 2)
    ]
    (folder / "checks.csv").write_text(CHECKS + "".join(rows))
    return folder
