"""An archive made by hand: two revisions, an intake map, a check of a meter, another policy, a review. All invented."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.intake.readers.deposit import read_deposit
from stillwell.pipeline.committing import office_policy
from stillwell.pipeline.ingest import ingest
from tests.pipeline.season import clock, registers, sheets

ID = "S1.20250507T100000Z.M1"
MAPPED = "S2.20250714T091000Z"
OFFICE = '[office]\nname = "Invented office"\nidentifier = "invented.example"\n[choices]\ncoefficient_05 = 0.9\n'
CHECK = "check,instrument,checked_at,place,sample,sample_s,receiver,snr_db\n" + "".join(
    f"C1,M1,2025-05-0{6}T09:00Z,field,{s + 1},{s},{r},{30.0 + s % 2}\n" for s in range(3) for r in (1, 2)
)
REVIEW = f"subject,decision,by,decided_at,reason\n{ID},approved,H1,2025-06-01T00:00Z,looked at\n"
MAP = """kind = "map"
name = "list of another office (invented)"
[[files]]
match = ["list*.csv"]
delimiter = ";"
[[files.tables]]
table = "gaugings"
once_per = ["No"]
columns = { "No" = "gauging" }
constants = { site = "S2", method = "wading verticals" }
times.started_at = { columns = ["From"], format = "%Y-%m-%d %H:%M", offset = "+00:00" }
times.ended_at = { columns = ["To"], format = "%Y-%m-%d %H:%M", offset = "+00:00" }
[[files.tables]]
table = "points"
[files.tables.columns]
"No" = "gauging"
"V" = "vertical"
"x" = "position_m"
"d" = "depth_m"
"kind" = "kind"
"f" = "relative_depth"
"v" = "velocity_m_s"
"""
LIST = "No;From;To;V;x;d;kind;f;v\n" + "".join(
    f"7;2025-07-14 09:10;2025-07-14 09:55;{i};{i};{d};{'open;0.6;0.4' if d else 'edge;;'}\n"
    for i, d in enumerate((0, 0.3, 0.5, 0.6, 0.5, 0.3, 0), 1)
)


@dataclass(frozen=True)
class Recorded:
    """The archive and the digests of what went in, by name; ``shipped`` is the policy that ships."""

    archive: Archive
    digests: dict[str, str]
    shipped: str


def recorded(tmp: Path) -> Recorded:
    """Take everything in: registers, a check, a sheet, a policy, a list with a map, a review, another sheet."""
    root, now, digests = tmp / "archive", clock(), {}

    def take(path: Path, map_path: Path | None = None) -> None:
        ingest(root, [path], by="T1", now=now, map_path=map_path, render_now=False)
        digests[path.name] = read_deposit(path).digest

    take(registers(tmp / "registers"))
    take(_file(tmp / "check" / "checks.csv", CHECK).parent)
    half = sheets(tmp / "sheet", "7")
    points = half / "points.csv"
    points.write_text(points.read_text().replace("open,0.6", "open,0.5"))
    take(half)
    take(_file(tmp / "office.toml", OFFICE))
    map_path = _file(tmp / "map.toml", MAP)
    take(_file(tmp / "list" / "list_a.csv", LIST).parent, map_path)
    digests["map.toml"] = read_deposit(map_path).digest
    take(_file(tmp / "review" / "reviews.csv", REVIEW).parent)
    take(sheets(tmp / "other", "9", instrument="M2", party="P2"))
    return Recorded(Archive(root), digests, office_policy()[1])


def _file(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path
