"""Hold what lies in an archive against its ledger, by number, size and digest. Repairs nothing, writes nothing."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import SEALED, WORK, commit_named, entry_path, is_of_ledger
from stillwell.archive.disk.regular_files import irregular, is_folder, read_regular
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.sealed import object_folder
from stillwell.archive.writing.unfinished import excused, read_intent, undecided_faults, under_exchange
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import sha256
from stillwell.shared_types import Fault, ListedFile


def opened(root: Path) -> Archive:
    """Open an archive to be proved, whichever of its entries are missing, so that all of them are named.

    Parameters
    ----------
    root : Path

    Returns
    -------
    Archive
        With every column of this software's schemas; where entries are missing, fit for ``ledger_faults`` only.

    Raises
    ------
    NotAnArchive
        As ``Archive``.
    ArchiveDamaged
        If no entry is left where there were some.
    """
    try:
        return Archive(root, complete=True)
    except ArchiveDamaged:
        numbers = Ledger(root).numbers()
        if not numbers:
            raise
        return Archive(root, complete=True, number=max(numbers))


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


Look = Callable[[Sequence[str]], list[Fault]]
"""Looks at things by their names."""


def file_faults(archive: Archive, look: Look | None = None) -> list[Fault]:
    """Check that every listed file is there with its size and sha256, and that no other file is.

    Parameters
    ----------
    archive : Archive
    look : callable, optional
        Holds listed files, by path, against their digests, for whoever shares that; ``listed_faults`` of each without.

    Returns
    -------
    list of Fault
        Of kind ``file``, by path. What a commit under way, or one that was cut short, said it would write is none.
    """
    odd = strangers(archive)
    named = {fault.path for fault in odd}
    # one after the other: threads wait for one another longer than the digest of a small file takes
    listing = archive.listing()
    paths = [path for path in sorted(listing) if path not in named]
    faults = look(paths) if look else [fault for path in paths for fault in listed_faults(archive, listing[path])]
    newer = Ledger(archive.root).live() if faults else {}
    # a commit made since this view was opened may have moved a newer file into place
    faults = [f for f in faults if f.path not in newer or newer[f.path].sha256 != f.details.get("found sha256")]
    return faults + odd


def strangers(archive: Archive) -> list[Fault]:
    """Name the files that no commit wrote, and whatever is no regular file, outside the sealed store.

    Empty folders and files under the hidden name of one that is not whole are named too, unless a commit under way,
    or a commit or sweep that was cut short, explains them. Of the work folder only links and the like are named.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of Fault
        Of kind ``file``, and what a commit under way said it would write where that cannot be read.
    """
    return list(_strangers(archive))


def sealed_faults(archive: Archive, look: Look | None = None) -> list[Fault]:
    """Check every sealed byte, and that every deposit the ledger speaks of is sealed.

    Parameters
    ----------
    archive : Archive
    look : callable, optional
        As of ``Sealed.verify``.

    Returns
    -------
    list of Fault
        Of kind ``sealed``.
    """
    faults_sealed = archive.sealed.verify(look) if is_folder(archive.sealed.folder) else []
    intent, _ = read_intent(archive)
    exchange = under_exchange(archive, intent)
    coming = {f"{SEALED}/{object_folder(digest)}" for digest in (*(intent.deposits if intent else ()), *exchange)}
    faults = [f for f in faults_sealed if not any(place.startswith(f"{f.path}/") for place in coming)]
    sealed = set(archive.sealed.digests())
    for digest in sorted(archive.ledger.deposit_digests() - sealed - exchange):
        faults += archive.sealed.faults(digest) or [_unsealed(digest)]
    return faults


def withheld_faults(archive: Archive) -> list[Fault]:
    """Name tombstones that no decision of the archive speaks for, and content that stayed against one.

    Content that a commit under way, or one cut short, is to withhold is no fault: the next writer removes it.

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
    waiting = under_exchange(archive, read_intent(archive)[0])
    faults = undecided_faults(archive)
    for digest in archive.sealed.digests():
        withheld, folder = archive.sealed.withheld(digest), f"{SEALED}/{object_folder(digest)}"
        if withheld and digest not in decided:
            faults.append(Fault("sealed", folder, "expected sealed content, found a tombstone without a decision"))
        elif not withheld and digest in decided - waiting:
            sentence = f"expected a tombstone, as decided, found the content; `stillwell withhold {digest}` removes it"
            faults.append(Fault("sealed", folder, sentence))
    return faults


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
        if archive.sealed.withheld(str(row["subject"])):
            remarks.append(f"deposit {row['subject']} is withheld: {row['reason']} ({row['by']})")
    return remarks


def listed_faults(archive: Archive, listed: ListedFile) -> Iterator[Fault]:
    """Hold one listed file against its size and digest."""
    try:
        data = read_regular(archive.path_of(listed.path))
    except OSError as error:
        yield Fault("file", listed.path, f"expected a file that the ledger lists, found: {error.strerror}")
        return
    digest = sha256(data)
    if len(data) != listed.size:
        sentence = f"expected {listed.size} bytes, found {len(data)}; it is not as it was written"
        yield Fault("file", listed.path, sentence, {"expected sha256": listed.sha256, "found sha256": digest})
    elif digest != listed.sha256:
        sentence = f"expected the sha256 {listed.sha256}, found {digest}; it is not as it was written"
        yield Fault("file", listed.path, sentence, {"expected sha256": listed.sha256, "found sha256": digest})


def _strangers(archive: Archive) -> Iterator[Fault]:
    """Find what nothing lists, nor ever did: what later commits replaced stays until it is swept."""
    paths = list(lying(archive.root))
    # read after looking, so that a commit begun or made meanwhile explains what was seen of it
    intent, damaged = read_intent(archive)
    yield from damaged
    ledger = Ledger(archive.root)
    replaced = {path for entry in ledger.entries() for path in entry.replaced}
    known = replaced | set(archive.listing()) | set(ledger.live()) | ledger.checkpoint_parts()
    allowed = excused(archive.root, intent, known, ledger.head())
    explained = known | allowed.files
    for path, what in paths:
        if what == FOLDER and path not in allowed.folders:
            yield Fault("file", path, f"expected files that the ledger lists, found {FOLDER}")
        elif what == FILE and path not in explained:
            sentence = f"expected only files that the ledger lists, found one {_whose(path, ledger)}"
            yield Fault("file", path, sentence)
        elif what not in (FOLDER, FILE):
            yield Fault("file", path, f"expected a regular file or a folder, found {what}", {IRREGULAR: what})


def _whose(path: str, ledger: Ledger) -> str:
    """Say what a file that nothing lists is; its name may tell of a commit whose entry was cut off the ledger's end."""
    name = path.rpartition("/")[2]
    if name.startswith(".") and name.endswith(".part"):
        return "that was never finished"
    number = commit_named(path)
    if number > ledger.head_number():
        return f"of commit {number}, whose entry {entry_path(number)} is missing"
    return "it does not list"


IRREGULAR = "irregular"
"""Key of a fault's details that says what stands in place of a regular file or folder."""
FILE, FOLDER = "a file", "an empty folder"


def lying(root: Path) -> Iterator[tuple[str, str]]:
    """Name what lies in an archive beside the sealed store: files, empty folders, links and other irregular things.

    Of the work folder only what is irregular; what a repair put aside and the files of flows are not looked at.
    """
    for entry in sorted(os.scandir(root), key=lambda entry: entry.name):
        if irregular(Path(entry.path)) or not entry.is_dir(follow_symlinks=False):
            yield entry.name, irregular(Path(entry.path)) or FILE
        elif entry.name == WORK:
            inside = _within(root, entry.path, skipped=_ASIDE)
            yield from ((path, what) for path, what in inside if what not in (FILE, FOLDER))
        elif entry.name != SEALED:
            yield from _within(root, entry.path)


_ASIDE = ("damaged", "flows")


def _within(root: Path, top: str, skipped: tuple[str, ...] = ()) -> list[tuple[str, str]]:
    """Name what lies in a folder, in order; entries and checkpoints that are files are proved by the chain."""
    entries = []
    for place, folders, names in os.walk(top):
        if place == top:
            folders[:] = [name for name in folders if name not in skipped]
        inside = Path(place).relative_to(root).as_posix()
        if not folders and not names:
            entries.append((inside, FOLDER))
        linked = [name for name in folders if irregular(Path(place, name))]
        for name in (*linked, *names):
            what = irregular(Path(place, name)) or FILE
            if what != FILE or not is_of_ledger(f"{inside}/{name}"):
                entries.append((f"{inside}/{name}", what))
    return sorted(entries)


def _unsealed(digest: str) -> Fault:
    return Fault(
        "sealed", f"deposit:{digest}", "expected the deposit a ledger entry took to be sealed, found it is not"
    )
