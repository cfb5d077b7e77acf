"""What a writer says it is about to write, and what the next one does if it never finished.

Only the files named in the intent are looked at, so that opening a large archive costs no more than opening a
small one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import INTENT, STAGING, WORK, WRITTEN, entry_path, is_inside
from stillwell.archive.disk.regular_files import read_regular
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.ledger.entries import Entry, checked, self_checked
from stillwell.archive.sealed import Sealed
from stillwell.archive.writing import tombstones
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import sha256


@dataclass(frozen=True)
class Intent:
    """The files and sealed deposits that a commit is about to write, before any of them exists."""

    number: int
    files: tuple[str, ...]
    deposits: tuple[str, ...]
    withheld: tuple[tuple[str, str], ...] = ()
    """Deposits whose content the commit decides to withhold, each with the digest of the decision."""

    def to_json(self) -> bytes:
        """Write it down."""
        named = {"number": self.number, "files": list(self.files), "deposits": list(self.deposits)}
        return self_checked(named | {"withheld": [list(pair) for pair in self.withheld]})

    @classmethod
    def found_in(cls, root: Path) -> Intent | None:
        """Read the intent of a writer that has not finished, None where there is none.

        Raises
        ------
        ArchiveDamaged
            If it is not as it was written.
        """
        try:
            data = read_regular(root / INTENT)
        except FileNotFoundError:
            return None
        document = checked(data, INTENT)
        # an intent of an earlier version names none
        withheld = tuple((digest, decision) for digest, decision in document.get("withheld", ()))
        intent = cls(document["number"], tuple(document["files"]), tuple(document["deposits"]), withheld)
        odd = [path for path in intent.files if not (is_inside(path) and path.partition("/")[0] in WRITTEN)]
        if odd:
            # what it names is removed, so it may name nothing that a commit does not write
            msg = f"{INTENT}: expected the tables and documents of a commit, found {odd[0]!r}; nothing was removed"
            raise ArchiveDamaged(msg)
        return intent


def declare(root: Path, intent: Intent) -> None:
    """Write down what is about to be written."""
    fs.write_file(root / INTENT, intent.to_json())


def recover(root: Path, ledger: Ledger) -> None:
    """Finish what a dead writer committed, or sweep what it did not.

    Raises
    ------
    ArchiveDamaged
        If its intent does not fit the ledger, or content is to be withheld that no decision speaks of.
    """
    intent = Intent.found_in(root)
    _refuse_undecided(root, ledger, intent)
    tombstones.complete(root)
    if intent is None:
        fs.remove_tree(root / STAGING)
        fs.remove_file(fs.temporary(root / INTENT))
        return
    head = ledger.head()
    number = head.number if head else 0
    if intent.number not in (number, number + 1):
        msg = f"{INTENT}: expected the intent of {number + 1}, found that of {intent.number}; run an audit"
        raise ArchiveDamaged(msg)
    if head is not None and intent.number == number:
        finish(root, ledger, head, intent)
    else:
        _sweep(root, ledger, intent)


def undecided(archive: Archive, intent: Intent | None) -> list[str]:
    """Name the deposits whose content would be withheld by what lies in the work folder, and no decision says so.

    Parameters
    ----------
    archive : Archive
        As it stands.
    intent : Intent, optional
        What a dead writer said it would write.

    Raises
    ------
    ArchiveDamaged
        If the table of decisions cannot be read.
    """
    head = archive.ledger.head_number()
    intended = intent.withheld if intent is not None and intent.number == head else ()
    digests = {*tombstones.exchanged(archive.root), *(digest for digest, _ in intended)}
    return sorted(digests - set(archive.read("withholdings")["subject"])) if digests else []


def _refuse_undecided(root: Path, ledger: Ledger, intent: Intent | None) -> None:
    """Refuse to remove content that was sealed, unless the archive holds the decision."""
    if digests := undecided(Archive.new(root, ledger), intent):
        msg = (
            f"{WORK}: expected a decision of the archive that the content of deposit {digests[0]} be withheld, "
            "found none; nothing was removed"
        )
        raise ArchiveDamaged(msg)


def finish(root: Path, ledger: Ledger, entry: Entry, intent: Intent) -> None:
    """Do what is left after the commit point: moves, withholding, checkpoint, and the intent itself."""
    complete_moves(root, entry)
    complete_withholding(root, entry, intent.withheld)
    ledger.write_checkpoint()
    close(root, entry.number)


def complete_moves(root: Path, entry: Entry) -> None:
    """Move the files an entry staged into place, those that are whole and not there yet."""
    staged = [(root / m.staged, root / m.final) for m in entry.moves if _is(root / m.staged, m.sha256)]
    fs.move_into_place(staged)


def complete_withholding(root: Path, entry: Entry, withheld: Sequence[tuple[str, str]]) -> None:
    """Remove the content that an entry decided to withhold, as far as it is still there."""
    for digest, decision in withheld:
        tombstones.withhold(root, digest, decision, entry.recorded_at, entry.by)


def close(root: Path, number: int) -> None:
    """Clear the staging folder and the intent."""
    fs.remove_file(fs.temporary(root / entry_path(number)))
    fs.remove_tree(root / STAGING)
    fs.remove_file(root / INTENT)


def _sweep(root: Path, ledger: Ledger, intent: Intent) -> None:
    live = ledger.live()
    unlisted = [root / path for path in intent.files if path not in live]
    fs.remove_files([*unlisted, *map(fs.temporary, unlisted)])
    _remove_emptied(root, unlisted)
    sealed = Sealed(root)
    for digest in intent.deposits:
        sealed.forget_empty_folders(digest)
    close(root, intent.number)


def _remove_emptied(root: Path, files: Sequence[Path]) -> None:
    for folder in sorted({file.parent for file in files}):
        fs.remove_empty_folders(folder, root)


def _is(path: Path, digest: str) -> bool:
    return path.is_file() and sha256(path.read_bytes()) == digest
