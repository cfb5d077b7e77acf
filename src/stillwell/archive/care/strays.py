"""What lies in an archive and is of no commit of its chain: named for a repair, which puts it aside."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from stillwell.archive.care.fixity import FILE, FOLDER, lying
from stillwell.archive.care.lineage import Link
from stillwell.archive.disk.layout import INTENT, LOCK, SEALED, WORK, commit_named, entry_path
from stillwell.archive.disk.regular_files import is_folder
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.sealed import Sealed, object_folder
from stillwell.archive.writing.recovery import Intent
from stillwell.archive.writing.tombstones import PLACE, exchanged
from stillwell.archive.writing.unfinished import excused
from stillwell.errors import ArchiveDamaged
from stillwell.shared_types import ListedFile


def strays(
    root: Path,
    chain: Sequence[Link],
    live: Mapping[str, ListedFile],
    deposits: Collection[str],
    stones: Collection[str],
) -> list[str]:
    """Name what no commit of a chain wrote: files, links and the like, empty folders, and an intent of no use.

    What the next writer finishes or sweeps is none, nor are the files of a commit beyond the chain, whose entry may
    still be found in another copy.

    Parameters
    ----------
    root : Path
    chain : sequence of Link
        The whole chain, from the first entry on.
    live : mapping of str to ListedFile
        Files that stand after its last entry.
    deposits : collection of str
        Digests of the deposits that its entries took.
    stones : collection of str
        Those whose content was decided to be withheld.

    Returns
    -------
    list of str
        Paths in the archive, an intent that no writer can go by first.
    """
    intent, orphaned = _intent(root, len(chain), stones)
    ledger = Ledger(root, number=len(chain))
    known = set(live) | {path for link in chain for path in link.entry.replaced}
    allowed = excused(root, intent, known, chain[-1].entry)
    known |= allowed.files | ledger.checkpoint_parts()
    paths = [INTENT] if orphaned else []
    paths += [path for path in ledger.no_checkpoints() if path not in ledger.checkpoints_due()]
    for path, what in lying(root):
        folder = what == FOLDER and path not in allowed.folders
        beyond = what == FILE and commit_named(path) > len(chain) and not orphaned
        if folder or (what != FOLDER and path not in known and not beyond):
            paths.append(path)
    objects = {f"{SEALED}/{object_folder(one)}" for one in (*deposits, *(intent.deposits if intent else ()))}
    if is_folder(root / SEALED):
        paths += [fault.path for fault in Sealed(root).strangers()]
    paths += [f"{PLACE}/{digest}" for digest in exchanged(root) if digest not in stones]
    # where a link stands for a folder, what is restored under it puts the link aside
    known |= objects | {entry_path(1)}
    return [path for path in paths if path not in (WORK, LOCK) and not _holds(path, known)]


def _intent(root: Path, newest: int, stones: Collection[str]) -> tuple[Intent | None, bool]:
    """Read what a dead writer said it would write; say whether there is something that no writer can go by."""
    try:
        intent = Intent.found_in(root)
    except (OSError, ArchiveDamaged):
        return None, True
    orphaned = intent is not None and intent.number not in (newest, newest + 1)
    if intent is not None and intent.number == newest:
        orphaned = any(digest not in stones for digest, _ in intent.withheld)
    return (None if orphaned else intent), orphaned


def _holds(path: str, files: Collection[str]) -> bool:
    """Say whether one of some files lies under a path, as under a link in place of a folder."""
    return any(file.startswith(f"{path}/") for file in files)
