"""Ratios of the archive: adding to a large one, opening a long one, many deposits at once, digests."""

from __future__ import annotations

import hashlib
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.care.fixity import file_faults, sealed_faults
from stillwell.archive.ledger.chain import Entry, Ledger
from stillwell.pipeline.ingest import ingest
from stillwell.reading.printed.show import show_gauging


def _one(folder: Path, site: str, day: str, velocity: str = "0.4") -> Path:
    folder.mkdir()
    head = f"gauging,site,started_at,ended_at\nX,{site},{day}T10:00Z,{day}T11:00Z\n"
    (folder / "gaugings.csv").write_text(head)
    depths = (0, 0.3, 0.5, 0.6, 0.5, 0.3, 0)
    rows = (
        f"X,{i + 1},{i},{d},{'open' if d else 'edge'},{0.6 if d else ''},{velocity if d else ''}"
        for i, d in enumerate(depths)
    )
    names = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s"
    (folder / "points.csv").write_text("\n".join([names, *rows]) + "\n")
    return folder


def _sites(folder: Path, count: int) -> Path:
    folder.mkdir()
    rows = (f"S{i},Invented,10,20,+00:00" for i in range(count))
    (folder / "sites.csv").write_text("\n".join(["site,name,latitude,longitude,utc_offset", *rows]) + "\n")
    return folder


def _seconds(step: object, times: int = 3) -> float:
    best = float("inf")
    for number in range(times):
        start = time.perf_counter()
        step(number)  # type: ignore[operator]
        best = min(best, time.perf_counter() - start)
    return best


def adding_ratio(tmp: Path, count: int = 100_000, sites: int = 500) -> list[str]:
    """Compare adding and showing one gauging in an archive of many with an archive of one."""
    from tests.benchmarks.run import deposit

    large, small = tmp / "large", tmp / "small"
    ingest(small, [_sites(tmp / "sites", 1), _one(tmp / "first", "S0", "1999-01-01")])
    start = time.perf_counter()
    ingest(large, [deposit(tmp / "many", count, sites)])
    taken = time.perf_counter() - start
    spent, shown = {}, {}
    for name, root in (("large", large), ("small", small)):
        folders = [_one(tmp / f"{name}{i}", "S0", f"1998-01-0{i + 1}") for i in range(3)]
        spent[name] = _seconds(lambda i, root=root, folders=folders: ingest(root, [folders[i]]))
        shown[name] = _seconds(lambda i, root=root: show_gauging(Archive(root), f"S0.1998010{i + 1}T100000Z"))
    return [
        f"adding one gauging to {count:,}: {spent['large'] / spent['small']:.2f} x adding it to 1 "
        f"({spent['large']:.3f} s against {spent['small']:.3f} s; the {count:,} took {taken:.0f} s); "
        "asked: within 1.5 x",
        f"opening and showing one of {count:,}: {shown['large'] / shown['small']:.2f} x one of 4 "
        f"({shown['large']:.3f} s against {shown['small']:.3f} s)",
    ]


def long_ledger(root: Path, commits: int) -> Path:
    """Write a ledger of many commits that each replace the same file, with its checkpoints."""
    from stillwell.shared_types import ListedFile

    root.mkdir()
    ledger, moment = Ledger(root), datetime(2026, 1, 1, tzinfo=UTC)
    for number in range(1, commits + 1):
        files = (ListedFile("README.txt", 10, hashlib.sha256(str(number).encode()).hexdigest()),)
        note = {"deposit": hashlib.sha256(f"deposit {number}".encode()).hexdigest(), "name": "d", "kind": "csv"}
        provenance = ListedFile(f"provenance/{number:08d}.prov.json", 10, note["deposit"])
        entry = Entry(
            number=number,
            previous=ledger.head_digest(),
            recorded_at=moment + timedelta(seconds=number),
            by="B",
            software={"name": "stillwell", "version": "0"},
            reason="bench",
            schema_version="1.0",
            deposits=(note,),
            files=(*files, provenance),
        )
        ledger.append(entry)
        ledger.write_checkpoint()
    return root


def opening_ratio(tmp: Path, few: int = 100, many: int = 100_000) -> str:
    """Compare opening an archive of many commits with one of few."""
    from stillwell.archive.disk import fs

    keep = fs.system.fsync
    fs.system.fsync = lambda descriptor: None  # made up for the bench, it need not outlast a crash
    try:
        roots = [long_ledger(tmp / str(count), count) for count in (few, many)]
    finally:
        fs.system.fsync = keep
    spent = [_seconds(lambda _, root=root: Archive(root).table_files("gaugings"), 7) for root in roots]
    return (
        f"opening an archive of {many:,} commits: {spent[1] / spent[0]:.2f} x one of {few} "
        f"({1000 * spent[1]:.1f} ms against {1000 * spent[0]:.1f} ms)"
    )


def many_deposits(tmp: Path, count: int = 10_000, sites: int = 200) -> str:
    """Take many deposits of one gauging each in one call."""
    inbox = tmp / "inbox"
    inbox.mkdir()
    days = [
        (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=i)).date().isoformat() for i in range(count // sites + 1)
    ]
    paths = [_sites(tmp / "registers", sites)]
    paths += [_one(inbox / f"d{i}", f"S{i % sites}", days[i // sites]) for i in range(count)]
    start = time.perf_counter()
    taken = ingest(tmp / "archive", paths)
    spent = time.perf_counter() - start
    commits = taken.entry.number if taken.entry else 0
    return f"{count:,} deposits of one gauging in one call: {count / spent:.0f} a second, {commits} commit"


def digest_rate(root: Path) -> str:
    """Compare the fixity of an archive with bare hashlib on the same bytes."""
    archive = Archive(root)
    listed = [root / path for path in archive.listing()]
    sealed = [p for p in (root / "sealed").rglob("*") if p.is_file()]

    def bare(_: int) -> None:
        for path in listed:
            hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sealed:
            data = path.read_bytes()
            hashlib.sha512(data).hexdigest()
            hashlib.sha256(data).hexdigest()

    ours = _seconds(lambda _: (file_faults(Archive(root)), sealed_faults(Archive(root))))
    least = _seconds(bare)
    size = sum(p.stat().st_size for p in [*listed, *sealed]) / 2**20
    return f"fixity of {size:.0f} MB: {least / ours:.2f} of bare hashlib's rate ({ours:.2f} s against {least:.2f} s)"


def lines(tmp: Path, scale: float = 1.0) -> list[str]:
    """Measure everything of the archive; ``scale`` below 1 for a quick look."""
    for name in ("adding", "opening", "many"):
        (tmp / name).mkdir()
    out = adding_ratio(tmp / "adding", int(100_000 * scale), int(500 * scale))
    out.append(digest_rate(tmp / "adding" / "large"))
    shutil.rmtree(tmp / "adding")
    out.append(opening_ratio(tmp / "opening", many=int(100_000 * scale)))
    out.append(many_deposits(tmp / "many", int(10_000 * scale)))
    return out
