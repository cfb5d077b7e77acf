"""An audit of digests in parts: what was looked at longest ago comes first, as far as a budget of bytes goes.

When each object was last found good is kept in the work folder; it is no fact, and losing it only means beginning anew.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.care.fixity import listed_faults, strangers
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import WORK
from stillwell.archive.ledger.entries import utc_text
from stillwell.fingerprint import canonical_json
from stillwell.shared_types import Fault

PLACE = f"{WORK}/looked_at.json"


def next_part(archive: Archive, budget: int, now: datetime) -> tuple[list[Fault], dict[str, int], str]:
    """Look at the objects that were looked at longest ago, and for files that no commit wrote.

    Parameters
    ----------
    archive : Archive
    budget : int
        Bytes to read; at least one object is looked at.
    now : datetime

    Returns
    -------
    list of Fault
    dict of str to int
        Objects and bytes looked at, and objects there are.
    str
        When the object looked at longest ago was last found good, empty while one never was.
    """
    seen = _seen(archive.root)
    objects = dict(_objects(archive))
    order = sorted(objects, key=lambda name: (seen.get(name, ""), name))
    faults = [*strangers(archive), *archive.sealed.strangers()]
    spent, looked = 0, 0
    for name in order:
        if looked and spent + objects[name] > budget:
            break
        new_faults = _look(archive, name)
        faults += new_faults
        spent, looked = spent + objects[name], looked + 1
        if not new_faults:
            seen[name] = utc_text(now)
    kept = {name: seen[name] for name in objects if name in seen}
    _remember(archive.root, kept)
    oldest = min(kept.values()) if len(kept) == len(objects) and kept else ""
    return faults, {"objects looked at": looked, "bytes looked at": spent, "objects in all": len(objects)}, oldest


def _objects(archive: Archive) -> Iterator[tuple[str, int]]:
    for path, listed in archive.listing().items():
        yield path, listed.size
    for digest in sorted(set(archive.sealed.digests()) | archive.ledger.deposit_digests()):
        folder = archive.root / archive.sealed.object_path(digest)
        yield f"deposit {digest}", sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())


def _look(archive: Archive, name: str) -> list[Fault]:
    if name.startswith("deposit "):
        return archive.sealed.faults(name.removeprefix("deposit "))
    return list(listed_faults(archive, archive.listing()[name]))


def _seen(root: Path) -> dict[str, str]:
    try:
        document = json.loads((root / PLACE).read_bytes())
    except (OSError, ValueError):
        return {}
    return {str(k): str(v) for k, v in document.items()} if isinstance(document, dict) else {}


def _remember(root: Path, seen: dict[str, str]) -> None:
    fs.write_file(root / PLACE, canonical_json(seen))
