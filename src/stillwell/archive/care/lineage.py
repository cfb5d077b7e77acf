"""Lineage: an archive is known by its first entry; two are kin when one chain is the beginning of the other.

Chains are compared as far as they can be read, so that a damaged copy is told from a stranger: an entry counts as
intact when it fits the digest it carries and its number; of a damaged or missing one the next entry still says the
digest, and what is left of it the digest it carried.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from stillwell.archive.care.witness import Witnessed
from stillwell.archive.disk.layout import entry_path
from stillwell.archive.disk.regular_files import read_regular
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.ledger.entries import DIGEST, Entry
from stillwell.archive.sealed import Sealed
from stillwell.errors import ArchiveDamaged, ArchiveError
from stillwell.fingerprint import sha256

_STATED = re.compile(rb'"' + DIGEST.encode() + rb'":"([0-9a-f]{64})",')
_NUMBER = re.compile(rb'"number":(\d+),')


@dataclass(frozen=True)
class Link:
    """One entry of a chain: its bytes, what they say, their digest, and the archive they were read from."""

    data: bytes
    entry: Entry
    sha256: str
    root: Path


@dataclass(frozen=True)
class Chain:
    """The entries in a folder, each as far as it can be read."""

    root: Path
    raw: dict[int, bytes]
    """By number, whatever lies in its place; empty where that is no regular file."""
    intact: dict[int, Link]
    """Those that are entries as they were written, whether they fit to others or not."""

    @property
    def newest(self) -> int:
        """The largest number there is a file for."""
        return max(self.raw, default=0)

    def digests_of(self, number: int) -> set[str]:
        """Collect what is known of the digest of an entry: from itself, and from the one after it."""
        digests = {self.intact[number].sha256} if number in self.intact else set()
        return digests | ({self.intact[number + 1].entry.previous} if number + 1 in self.intact else set())

    def may_hold(self, link: Link) -> bool:
        """Say whether nothing here speaks against an entry in its place, such as another one or what is left of it."""
        number, known = link.entry.number, self.digests_of(link.entry.number)
        if known:
            return link.sha256 in known
        left = self.raw.get(number, b"")
        stated, numbered = _STATED.search(left), _NUMBER.search(left)
        if stated is None or (numbered is not None and int(numbered[1]) != number):
            return True
        # the digest it carries is that entry's, or it was hit itself and the rest still fits
        own = _STATED.search(link.data)
        rest = left[: stated.start()] + left[stated.end() :]
        return own is not None and own[1] in (stated[1], sha256(rest).encode())


def read_chain(root: Path) -> Chain:
    """Read the entries in a folder; nothing is refused.

    Parameters
    ----------
    root : Path

    Returns
    -------
    Chain
    """
    raw: dict[int, bytes] = {}
    intact: dict[int, Link] = {}
    for number in sorted(Ledger(root).numbers()):
        path = entry_path(number)
        try:
            raw[number] = read_regular(root / path)
            entry = Entry.from_json(raw[number], path)
        except (OSError, ArchiveDamaged):
            raw.setdefault(number, b"")
            continue
        if entry.number == number:
            intact[number] = Link(raw[number], entry, sha256(raw[number]), root)
    return Chain(root, raw, intact)


def mended(here: Chain, there: Chain, lines: Sequence[Witnessed] = ()) -> list[Link]:
    """Find the chain an archive should have, with entries from a copy where its own are damaged or missing.

    Parameters
    ----------
    here, there : Chain
        Of the archive and of the copy.
    lines : sequence of Witnessed
        Decide where both chains hold together and differ: the earliest line that speaks of what differs counts,
        since what was witnessed first was there before anybody rewrote it.

    Returns
    -------
    list of Link
        From the first entry on.

    Raises
    ------
    ArchiveError
        If the copy is of another archive, or went another way and no witness says that its way is the right one.
    ArchiveDamaged
        If neither holds an entry of the chain.
    """
    reach = _reach(here, there)
    mine = _traced(reach, here)
    chain, parting = _together(mine, here, there)
    if parting == 1:
        msg = (
            f"expected a copy of the archive {here.root} in {there.root}, found another archive: its first entry "
            "differs; nothing was changed"
        )
        raise ArchiveError(msg)
    if parting:
        return _decided(parting, mine, _traced(reach, there), there.root, lines)
    # an entry of the chain under a number beyond it, where a file was renamed, was never one of that number
    known = {link.data for link in chain}
    if not chain or any(number > len(chain) and data not in known for number, data in here.raw.items()):
        path = entry_path(len(chain) + 1)
        msg = f"{path}: expected an entry of the chain here or in {there.root}, found none; nothing was changed"
        raise ArchiveDamaged(msg)
    if not mine and not _recognised(here, chain):
        msg = (
            f"expected in {here.root} an entry or a sealed deposit by which to know that {there.root} is a copy of it, "
            "found none; nothing was changed"
        )
        raise ArchiveError(msg)
    return chain


def check_copy(source: Sequence[Link], copy: Chain) -> None:
    """Refuse a copy that is not kin to its source, or is ahead of it.

    Parameters
    ----------
    source : sequence of Link
        The whole chain.
    copy : Chain

    Raises
    ------
    ArchiveError
        If the folder holds another archive, one that went another way, or one that is ahead.
    """
    expected = f"expected an earlier copy of this archive in {copy.root}, found"
    if copy.newest > len(source):
        msg = f"{expected} one with commit {copy.newest}, while this one ends with commit {len(source)}; left alone"
        raise ArchiveError(msg)
    for link in source:
        if not copy.may_hold(link) and not _explained(copy, source, link.entry.number):
            number = link.entry.number
            what = "another archive: its first entry differs" if number == 1 else f"one with another commit {number}"
            msg = f"{expected} {what}; left alone"
            raise ArchiveError(msg)
    if not any(number in copy.intact for number in copy.raw) and not _holds_only(copy.root, source):
        msg = f"{expected} sealed deposits of another archive and no ledger; left alone"
        raise ArchiveError(msg)


def _explained(copy: Chain, source: Sequence[Link], number: int) -> bool:
    """Say whether a later entry of a copy is the source's, so that what differs before it is damage by its digest."""
    later = (link for link in source[number:] if link.entry.number in copy.intact)
    return any(copy.intact[link.entry.number].sha256 == link.sha256 for link in later)


def _reach(here: Chain, there: Chain) -> dict[int, dict[str, Link]]:
    """Collect, by number and digest, the entries from which the first one is reached through bytes at hand."""
    reach: dict[int, dict[str, Link]] = {0: {}}
    for number in range(1, max(here.newest, there.newest) + 1):
        reach[number] = {}
        for chain in (here, there):
            link = chain.intact.get(number)
            if link and (link.entry.previous in reach[number - 1] or (number == 1 and not link.entry.previous)):
                reach[number].setdefault(link.sha256, link)
    return reach


def _traced(reach: dict[int, dict[str, Link]], chain: Chain) -> list[Link]:
    """Follow a folder's own newest entry from which the first is reached, down to it."""
    tops = (link for _, link in sorted(chain.intact.items(), reverse=True))
    link = next((link for link in tops if link.sha256 in reach[link.entry.number]), None)
    out: list[Link] = []
    while link is not None:
        out.append(link)
        link = reach[link.entry.number - 1].get(link.entry.previous)
    return out[::-1]


def _together(mine: Sequence[Link], here: Chain, there: Chain) -> tuple[list[Link], int]:
    """Go on from the archive's own chain with the copy's entries; say at which number they part, 0 where nowhere."""
    chain = list(mine)
    for number in range(1, there.newest + 1):
        link = there.intact.get(number)
        if link is None:
            if number > len(chain):
                break
        elif number <= len(chain):
            if link.sha256 != chain[number - 1].sha256:
                return chain, number
        elif link.entry.previous != (chain[-1].sha256 if chain else "") or not here.may_hold(link):
            return chain, number
        else:
            chain.append(link)
    return chain, 0


def _decided(parting: int, mine: list[Link], theirs: list[Link], copy: Path, lines: Sequence[Witnessed]) -> list[Link]:
    """Let the earliest line that speaks of what differs say which of two chains is the one that was witnessed."""
    for line in sorted(lines, key=lambda line: line.made_at):
        for chain in (theirs, mine) if line.number >= parting else ():
            if line.number > len(chain) or chain[line.number - 1].sha256 != line.sha256:
                continue
            if chain is theirs:
                return theirs
            msg = (
                f"expected a copy whose commit {parting} is the one witnessed, as it is here ({line.where}); found "
                f"another in {copy}; nothing was changed"
            )
            raise ArchiveError(msg)
    asked = "none of the witness lines speaks of it" if lines else "a witness (--witness FILE) made after it can"
    msg = (
        f"expected one chain, found two that part at commit {parting}, here and in {copy}: the digests of each hold "
        f"together, so that they cannot say which was rewritten; {asked}; nothing was changed"
    )
    raise ArchiveError(msg)


def _recognised(here: Chain, chain: Sequence[Link]) -> bool:
    """Say whether what is left of a ledger, or of the sealed store without one, is that of a chain."""
    if any(
        here.digests_of(link.entry.number) or _STATED.search(here.raw.get(link.entry.number, b"")) for link in chain
    ):
        return True
    return bool(Sealed(here.root).digests()) and _holds_only(here.root, chain)


def _holds_only(root: Path, chain: Sequence[Link]) -> bool:
    """Say whether every deposit sealed in a folder was taken by a chain, or is sealed where the chain was read."""
    taken = {str(note.get("deposit")) for link in chain for note in link.entry.deposits}
    beside = {digest for base in {link.root for link in chain} for digest in Sealed(base).digests()}
    return set(Sealed(root).digests()) <= taken | beside
