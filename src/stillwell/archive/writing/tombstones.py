"""Sealed content removed by a recorded decision: a tombstone with its digests takes its place.

The tombstone is made whole beside the store, then changes places with the object; a writer that died in between is
finished by the next one.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import SEALED, WORK
from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.sealed import TOMBSTONE, Sealed, object_files, object_folder
from stillwell.fingerprint import canonical_json, sha256, sha512
from stillwell.shared_types import Deposit, DepositFile

_DAMAGED = f"{WORK}/damaged"
PLACE = f"{WORK}/withheld"
"""Where objects change places with their tombstones."""


def tombstone(deposit: Deposit, decision: str, when: datetime, by: str) -> list[tuple[str, bytes]]:
    """Lay out the object that stands in place of a deposit: its digests and sizes, no name and no content.

    Parameters
    ----------
    deposit : Deposit
        As sealed.
    decision : str
        Digest of the deposit that holds the decision.
    when : datetime
    by : str
        Code of the person who decided.

    Returns
    -------
    list of (str, bytes)
    """
    document: dict[str, Any] = {
        "deposit": deposit.digest,
        "withheld_by_decision": decision,
        "withheld_at": utc_text(when),
        "by": by,
        "files": [{"size": len(f.data), "sha256": sha256(f.data), "sha512": sha512(f.data)} for f in deposit.files],
    }
    stone = DepositFile(TOMBSTONE, canonical_json(document))
    return object_files(Deposit("withheld", deposit.kind, deposit.digest, (stone,)), when, by, withheld=True)


def withhold(root: Path, digest: str, decision: str, when: datetime, by: str) -> None:
    """Put a tombstone in place of a deposit's sealed content, and remove the content.

    Parameters
    ----------
    root : Path
        The archive's folder; the caller holds its lock.
    digest, decision : str
        Digest of the deposit, and of the one that holds the decision, already committed.
    when : datetime
    by : str

    Raises
    ------
    ArchiveDamaged
        If the deposit is not here as it was sealed.
    """
    sealed = Sealed(root)
    for folder in (root / _DAMAGED).glob(f"*/{SEALED}/{object_folder(digest)}"):
        fs.remove_tree(folder)
    if sealed.withheld(digest):
        return
    files = tombstone(sealed.read(digest), decision, when, by)
    place = root / PLACE / digest
    fs.remove_tree(place)
    fs.write_files([(place / "making" / path, data) for path, data in files])
    fs.publish_folder(place / "making", place / "new")
    complete(root)


def exchanged(root: Path) -> list[str]:
    """Name the deposits whose change of places was begun and is not finished."""
    return sorted(place.name for place in (root / PLACE).glob("*"))


def complete(root: Path) -> None:
    """Finish every change of places that was begun: content that was decided on never comes back."""
    for place in sorted((root / PLACE).glob("*")):
        final = root / SEALED / object_folder(place.name)
        if (place / "new").is_dir():
            if final.is_dir():
                fs.publish_folder(final, place / "old")
            fs.publish_folder(place / "new", final)
        fs.remove_tree(place)
