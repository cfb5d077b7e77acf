"""What a commit under way, or one that died, has left for the next writer: named, and no fault."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import CHECKPOINTS, INTENT, MAKING, PARTS, SEALED, WORK, entry_path, part_path
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.ledger.entries import Entry
from stillwell.archive.netcdf.background import left_by_makers
from stillwell.archive.sealed import object_folder
from stillwell.archive.writing.recovery import Intent, undecided
from stillwell.archive.writing.tombstones import exchanged
from stillwell.errors import ArchiveDamaged
from stillwell.shared_types import Fault

NEXT = "the next command that writes finishes or sweeps it"


@dataclass(frozen=True)
class Excused:
    """Paths that a commit under way or cut short, or a sweep cut short, explains."""

    files: frozenset[str] = frozenset()
    folders: frozenset[str] = frozenset()


def excused(root: Path, intent: Intent | None, listed: set[str], newest: Entry | None) -> Excused:
    """Collect the files and folders that need no other explanation.

    Parameters
    ----------
    root : Path
    intent : Intent, optional
        What a writer said it would write.
    listed : set of str
        Paths that entries list or replaced: the folder of one may be empty because a sweep was cut short, or because
        the file is missing, which is a fault of its own.
    newest : Entry, optional
        Last of the chain.
    """
    folders = _above(listed)
    if intent is None:
        return Excused(frozenset(), frozenset(folders))
    ledger = [entry_path(intent.number), *(part_path(intent.number, part) for part in ("", *PARTS))]
    hidden = {fs.temporary(root / path).relative_to(root).as_posix() for path in (*intent.files, *ledger)}
    moved: set[str] = set()
    if newest is not None and newest.number == intent.number:
        moved = {move.final for move in newest.moves}
    objects = {f"{SEALED}/{object_folder(digest)}" for digest in intent.deposits}
    folders |= _above({*intent.files, *moved, *objects}) | {CHECKPOINTS}
    return Excused(frozenset(hidden | set(intent.files)), frozenset(folders))


def read_intent(archive: Archive) -> tuple[Intent | None, list[Fault]]:
    """Read what a commit under way, or one that died, said it would write; a fault where no writer can go by it."""
    try:
        intent = Intent.found_in(archive.root)
        # a commit made since this view was opened may have been followed by others, never by one before it
        if intent is None or archive.ledger.head_number() <= intent.number <= Ledger(archive.root).head_number() + 1:
            return intent, []
        sentence = f"expected the intent of commit {archive.ledger.head_number() + 1}, found that of {intent.number}"
        return None, [Fault("file", INTENT, f"{sentence}; no writer goes on before it is put aside")]
    except ArchiveDamaged as error:
        return None, [Fault("file", INTENT, str(error).removeprefix(f"{INTENT}: "))]
    except OSError as error:
        return None, [Fault("file", INTENT, f"expected what a commit is about to write, found: {error.strerror}")]


def under_exchange(archive: Archive, intent: Intent | None) -> set[str]:
    """Name the deposits whose withholding was decided on and is not finished."""
    decided = intent.withheld if intent and intent.number == archive.ledger.head_number() else ()
    return ({digest for digest, _ in decided} | set(exchanged(archive.root))) - set(_undecided(archive, intent))


def undecided_faults(archive: Archive) -> list[Fault]:
    """Name content that would be withheld by what lies in the work folder without a decision; no writer goes on."""
    return [
        Fault(
            "sealed",
            f"{SEALED}/{object_folder(digest)}",
            f"expected a decision that its content be withheld, found none, and a withholding begun in {WORK}; "
            "no writer goes on before it is put aside",
        )
        for digest in _undecided(archive, read_intent(archive)[0])
    ]


def _undecided(archive: Archive, intent: Intent | None) -> list[str]:
    try:
        return undecided(Archive(archive.root), intent)
    except ArchiveDamaged:
        # the damaged file has its own fault; without it decisions are unknown
        return []


def unfinished_remarks(archive: Archive) -> list[str]:
    """Say what is under way, or was cut short and waits for the next writer.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of str
    """
    intent, _ = read_intent(archive)
    remarks = []
    if intent is not None:
        remarks.append(f"commit {intent.number} is under way or was cut short; {NEXT}")
    for digest in sorted(under_exchange(archive, intent)):
        remarks.append(
            f"the withholding of deposit {digest} was decided on and is not finished: its content is still here; {NEXT}"
        )
    if left := left_by_makers(archive.root):
        many = "1 rendering was" if len(left) == 1 else f"{len(left)} renderings were"
        remarks.append(f"{many} cut short and left files in {MAKING}; {NEXT}")
    return remarks


def _above(paths: set[str]) -> set[str]:
    return {parent.as_posix() for path in paths for parent in PurePosixPath(path).parents} - {"."}
