"""A small archive with everything that must not go out, all invented: a closed site, an embargo, names of persons."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from stillwell.archive.archive import Archive
from stillwell.pipeline.committing import office_policy
from stillwell.publishing import Published, publish
from tests.pipeline.season import sheets, take

DAY = date(2026, 3, 1)
PERSON = "Quilla Fennimore"
OPEN, CLOSED, EMBARGOED = "S1", "S2", "S 3"
OFFICE = {"name": "Invented Hydrometric Office", "identifier": "office.invalid", "contact_role": "data manager"}
POLICY = replace(office_policy()[0], office=OFFICE)

SITES = {
    OPEN: {"name": "Alder Ford (invented)", "licence": "CC0-1.0", "access": "open", "river": "Alder (invented)"},
    CLOSED: {"name": "Hidden Weir (invented)", "licence": "CC0-1.0", "access": "closed"},
    EMBARGOED: {
        "name": "Later Bridge (invented)",
        "licence": "CC-BY-4.0",
        "access": "embargoed",
        "public_from": "2026-04-01T00:00-02:00",
    },
}
COLUMNS = ("name", "latitude", "longitude", "utc_offset", "river", "owner", "licence", "access", "public_from")


def registers(folder: Path, sites: Mapping[str, Mapping[str, str]] = SITES) -> Path:
    """Write a register of sites, two meters, and a datum whose reason names a person."""
    folder.mkdir(parents=True, exist_ok=True)
    base = {"latitude": "47.5", "longitude": "-29.5", "utc_offset": "-02:00", "owner": "Invented Trust"}
    lines = ["site," + ",".join(COLUMNS)]
    for code, said in sites.items():
        row = base | dict(said)
        lines.append(",".join([code, *(row.get(name, "") for name in COLUMNS)]))
    (folder / "sites.csv").write_text("\n".join(lines) + "\n")
    (folder / "instruments.csv").write_text("instrument,kind\nM1,acoustic point\nM2,acoustic point\n")
    if OPEN in sites:
        (folder / "datums.csv").write_text(
            "site,gauge,valid_from,change_m,reason,by\n"
            f"{OPEN},staff,2020-01-01T00:00Z,0.01,{PERSON} hit it with the truck,L1\n"
        )
    return folder


def reviews(folder: Path, *decisions: tuple[str, str]) -> Path:
    """Write decisions on gaugings, with a reason that names a person."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = ["subject,decision,by,decided_at,reason"]
    lines += [f"{subject},{word},R1,2026-01-20T09:00Z,{PERSON} looked at it" for subject, word in decisions]
    (folder / "reviews.csv").write_text("\n".join(lines) + "\n")
    return folder


def gauging(day: int, site: str = OPEN, meter: str = "M1") -> str:
    """Name the gauging of a day of May."""
    return f"{site}.202505{day:02d}T100000Z.{meter}"


def small_archive(tmp: Path) -> Path:
    """Make it: five gaugings at the open site, one of them approved, one withdrawn; two closed, one embargoed."""
    root = tmp / "archive"
    take(root, registers(tmp / "registers"))
    first = sheets(tmp / PERSON.replace(" ", "_"), "1", "2", "3", "4", "5", remarks=PERSON, result_by=PERSON)
    (first / "people.csv").write_text(f"code,name\nP1,{PERSON}\n")
    take(root, first)
    take(root, sheets(tmp / "closed", "6", "7", site=CLOSED, instrument="M2", party="P2"))
    take(root, sheets(tmp / "embargoed", "8", site=EMBARGOED, party="P2"))
    take(root, reviews(tmp / "reviews", (gauging(1), "approved"), (gauging(2), "withdrawn")))
    return root


def published(root: Path, out: Path, day: date = DAY, **more: Any) -> Published:
    """Publish, with an office that has named itself."""
    return publish(Archive(root), out, day=day, by="T1", policy=POLICY, **more)


def tree(root: Path) -> dict[str, str]:
    """Digest every file under a folder."""
    files = (p for p in sorted(root.rglob("*")) if p.is_file())
    return {p.relative_to(root).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
