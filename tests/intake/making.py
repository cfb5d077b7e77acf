"""Deposits for tests from a few lines of CSV."""

from __future__ import annotations

import io
import zipfile

from stillwell.fingerprint import folder_digest, sha256
from stillwell.shared_types import Deposit, DepositFile

SITES = "site,name,latitude,longitude,utc_offset\nS1,One (invented),10,20,+02:00\n"
GAUGINGS = "gauging,site,started_at,ended_at\nG1,S1,2025-05-01T10:00+02:00,2025-05-01T11:00+02:00\n"
HEAD = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s\n"
POINTS = HEAD + "G1,1,0,0,edge,,\nG1,2,1,0.5,open,0.6,0.4\nG1,3,2,0,edge,,\n"


def folder(**tables: str | bytes) -> Deposit:
    """Make a folder of CSV files; without a table of points or gaugings the usual good ones."""
    texts = {"sites": SITES, "gaugings": GAUGINGS, "points": POINTS} | tables
    files = tuple(
        DepositFile(f"{name}.csv", text if isinstance(text, bytes) else text.encode()) for name, text in texts.items()
    )
    return Deposit("folder", "folder", folder_digest((f.path, f.data) for f in files), files)


def csv(name: str, data: bytes) -> Deposit:
    """Make a deposit of one CSV file."""
    return Deposit(name, "csv", sha256(data), (DepositFile(name, data),))


def zipped(entries: dict[str, str | bytes], **how: int) -> Deposit:
    """Make a zip."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, data in entries.items():
            info = zipfile.ZipInfo(path)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = how.get("mode", 0o100644) << 16
            archive.writestr(info, data)
    return Deposit("deposit.zip", "zip", sha256(out.getvalue()), (DepositFile("deposit.zip", out.getvalue()),))


def points(*rows: str, head: str = HEAD) -> str:
    """Make a table of points of G1 between two sloping edges."""
    cells = head.count(",") - 4
    edge = "G1,{},{},0,edge" + "," * cells + "\n"
    return head + edge.format(1, 0) + "".join(f"G1,{row}\n" for row in rows) + edge.format(99, 50)
