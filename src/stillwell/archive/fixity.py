"""Hold what lies in an archive against its ledger, by number, size and digest. Repairs nothing, writes nothing."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.layout import INTENT, SEALED, WORK, entry_path, is_of_ledger
from stillwell.archive.ledger import Ledger
from stillwell.archive.recovery import Intent
from stillwell.archive.sealed import object_folder
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import sha256
from stillwell.records import Fault, ListedFile

UNFINISHED = ".part"
"""Ending of the hidden name a file has until it is whole."""


def ledger_faults(archive: Archive) -> list[Fault]:
    """Hold every ledger entry against the one before, and the newest checkpoint against all entries.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of Fault
        Of kind ``ledger``.
    """
    return archive.ledger.chain_faults()


def file_faults(archive: Archive) -> list[Fault]:
    """Check that every listed file is there with its size and sha256, and that no other file is.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of Fault
        Of kind ``file``, by path. What a commit under way keeps in the work folder is no fault, nor is a file
        under its hidden name that is not whole yet.
    """
    listing = archive.listing()
    # one after the other: threads wait for one another longer than the digest of a small file takes
    faults = [fault for _, listed in sorted(listing.items()) for fault in listed_faults(archive, listed)]
    newer = Ledger(archive.root).live() if faults else {}
    # a commit made since this view was opened may have moved a newer file into place
    faults = [f for f in faults if f.path not in newer or newer[f.path].sha256 != f.details.get("found sha256")]
    return faults + strangers(archive)


def strangers(archive: Archive) -> list[Fault]:
    """Name the files that no commit wrote, wherever they lie outside the sealed store and the work folder.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of Fault
        Of kind ``file``, and what a commit under way said it would write where that cannot be read.
    """
    intent, damaged = _intent(archive)
    return damaged + list(_strangers(archive, intent))


def sealed_faults(archive: Archive) -> list[Fault]:
    """Check every sealed byte, and that every deposit the ledger speaks of is sealed.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of Fault
        Of kind ``sealed``.
    """
    intent, _ = _intent(archive)
    coming = {f"{SEALED}/{object_folder(digest)}" for digest in (intent.deposits if intent else ())}
    faults = [f for f in archive.sealed.verify() if not any(place.startswith(f"{f.path}/") for place in coming)]
    sealed = set(archive.sealed.digests())
    for digest in sorted(archive.ledger.deposit_digests() - sealed):
        faults += archive.sealed.faults(digest) or [_unsealed(digest)]
    return faults


def withheld_faults(archive: Archive) -> list[Fault]:
    """Name tombstones that no decision of the archive speaks for.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of Fault
        Of kind ``sealed``.
    """
    try:
        decided = set(archive.read("withholdings")["subject"])
    except ArchiveDamaged:
        # the damaged file has its own fault; without it nothing can be said of tombstones
        return []
    stones = [digest for digest in archive.sealed.digests() if archive.sealed.withheld(digest)]
    sentence = "expected sealed content, found a tombstone that rests on no decision"
    return [Fault("sealed", f"{SEALED}/{object_folder(d)}", sentence) for d in stones if d not in decided]


def sealed_remarks(archive: Archive) -> list[str]:
    """Name what is sealed but in no ledger entry (a commit that died left it, unharmed) and what is withheld.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of str
    """
    untold = sorted(set(archive.sealed.digests()) - archive.ledger.deposit_digests())
    remarks = [
        f"deposit {digest} is sealed, and no commit took it; hand it in again to have it taken" for digest in untold
    ]
    for row in archive.read("withholdings").drop_duplicates("subject").to_dict("records"):
        done = archive.sealed.withheld(str(row["subject"]))
        state = "is withheld" if done else "is to be withheld and still holds its content; run withhold again"
        remarks.append(f"deposit {row['subject']} {state}: {row['reason']} ({row['by']})")
    return remarks


def listed_faults(archive: Archive, listed: ListedFile) -> Iterator[Fault]:
    """Hold one listed file against its size and digest."""
    try:
        data = archive.path_of(listed.path).read_bytes()
    except OSError as error:
        yield Fault("file", listed.path, f"expected a file that the ledger lists, found: {error.strerror}")
        return
    found = sha256(data)
    if len(data) != listed.size:
        sentence = f"expected {listed.size} bytes, found {len(data)}; it is not as it was written"
        yield Fault("file", listed.path, sentence, {"expected sha256": listed.sha256, "found sha256": found})
    elif found != listed.sha256:
        sentence = f"expected the sha256 {listed.sha256}, found {found}; it is not as it was written"
        yield Fault("file", listed.path, sentence, {"expected sha256": listed.sha256, "found sha256": found})


def _intent(archive: Archive) -> tuple[Intent | None, list[Fault]]:
    """Read what a commit under way, or one that died, said it would write."""
    try:
        return Intent.found_in(archive.root), []
    except ArchiveDamaged as error:
        return None, [Fault("file", INTENT, str(error).removeprefix(f"{INTENT}: "))]


def _strangers(archive: Archive, intent: Intent | None) -> Iterator[Fault]:
    """Find files that nothing lists, nor ever did: what later commits replaced stays until it is swept."""
    listed = archive.listing()
    unlisted = [path for path in _files(archive.root) if path not in listed]
    if not unlisted:
        return
    ledger = Ledger(archive.root)  # a commit made since this view was opened may list them
    known = {path for entry in ledger.entries() for path in entry.replaced} | set(ledger.live())
    known |= set(intent.files) if intent else set()
    for path in unlisted:
        if path not in known and not _unfinished(path):
            yield Fault("file", path, f"expected only files that the ledger lists, found one {_whose(path, ledger)}")


def _whose(path: str, ledger: Ledger) -> str:
    """Say what a file that nothing lists is; its name may tell of a commit whose entry was cut off the ledger's end."""
    number = path.rpartition("/")[2][:8]
    if number.isdecimal() and int(number) > ledger.head_number():
        return f"of commit {int(number)}, whose entry {entry_path(int(number))} is missing"
    return "it does not list"


def _files(root: Path) -> Iterator[str]:
    """Name every file but those of the sealed store and the work folder, relative to the archive, in order."""
    for entry in sorted(os.scandir(root), key=lambda entry: entry.name):
        if entry.name in (SEALED, WORK):
            continue
        if not entry.is_dir(follow_symlinks=False):
            yield entry.name
            continue
        found = []
        for place, _, names in os.walk(entry.path):
            inside = Path(place).relative_to(root).as_posix()
            found += [f"{inside}/{name}" for name in names]
        yield from (path for path in sorted(found) if not is_of_ledger(path))


def _unfinished(path: str) -> bool:
    name = path.rpartition("/")[2]
    return name.startswith(".") and name.endswith(UNFINISHED)


def _unsealed(digest: str) -> Fault:
    return Fault(
        "sealed", f"deposit:{digest}", "expected the deposit a ledger entry took to be sealed, found it is not"
    )
