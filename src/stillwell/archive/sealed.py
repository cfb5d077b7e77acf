"""Sealed bytes: an OCFL 1.1 storage root with one object per deposit. Never changes what it holds."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import SEALED
from stillwell.archive.disk.regular_files import irregular, is_folder, read_regular
from stillwell.archive.ledger.entries import utc_text
from stillwell.errors import ArchiveDamaged, Withheld
from stillwell.fingerprint import both_digests, canonical_json, digest_of_rows, sha256, sha512
from stillwell.shared_types import Deposit, DepositFile, Fault

LAYOUT = "0003-hash-and-id-n-tuple-storage-layout"
"""Storage layout extension of the OCFL community: digest tuples, then the encoded identifier."""

_TUPLES = (slice(0, 3), slice(3, 6), slice(6, 9))
_LONGEST_PART = 200
_ROOT_FILES = {
    "0=ocfl_1.1": b"ocfl_1.1\n",
    "ocfl_layout.json": canonical_json(
        {"extension": LAYOUT, "description": "tuples of the identifier's sha256, then the encoded identifier"}
    ),
    f"extensions/{LAYOUT}/config.json": canonical_json(
        {"extensionName": LAYOUT, "digestAlgorithm": "sha256", "tupleSize": 3, "numberOfTuples": 3}
    ),
}
_OBJECT_DECLARATION = ("0=ocfl_object_1.1", b"ocfl_object_1.1\n")
TOMBSTONE = "withheld.json"
"""Name of what stands in place of content that was withheld."""
_INVENTORY, _SIDECAR = "inventory.json", "inventory.json.sha512"


def object_folder(digest: str) -> str:
    """Name the folder of a deposit's object, relative to the storage root."""
    identifier = f"deposit:{digest}"
    hashed = sha256(identifier.encode())
    encoded = re.sub(r"[^A-Za-z0-9_-]", lambda match: f"%{ord(match[0]):02x}", identifier)
    return "/".join([*(hashed[part] for part in _TUPLES), encoded])


def deposit_digest(kind: str, files: Sequence[DepositFile]) -> str:
    """Digest a deposit: a folder by its list of files, anything else by its bytes."""
    return _digest_of(kind, [(file.path, len(file.data), sha256(file.data)) for file in files])


def _digest_of(kind: str, rows: Sequence[tuple[str, int, str]]) -> str:
    if kind == "folder":
        return digest_of_rows(rows)
    return rows[0][2] if len(rows) == 1 else ""


def object_files(deposit: Deposit, created: datetime, by: str, *, withheld: bool = False) -> list[tuple[str, bytes]]:
    """Lay a deposit out as an OCFL object.

    Parameters
    ----------
    deposit : Deposit
    created : datetime
    by : str
        Code of the person who handed it in.
    withheld : bool
        Whether this is a tombstone in place of the content.

    Returns
    -------
    list of (str, bytes)
        Every file of the object: path relative to its folder, and content.
    """
    content = _content_paths(deposit.files)
    inventory = canonical_json(_inventory(deposit, content, created, by, withheld))
    sidecar = f"{sha512(inventory)} {_INVENTORY}\n".encode()
    files = {path: data for path, _, _, data in content}
    copies = {
        f"{folder}{name}": data
        for folder in ("v1/", "")
        for name, data in ((_INVENTORY, inventory), (_SIDECAR, sidecar))
    }
    return [*files.items(), *copies.items(), _OBJECT_DECLARATION]


_Content = tuple[str, str, str, bytes]
"""Content path, sha512, logical path, bytes."""


def _content_paths(files: Sequence[DepositFile]) -> list[_Content]:
    by_digest: dict[str, str] = {}
    used: set[str] = set()
    rows = []
    for file in files:
        digest = sha512(file.data)
        if digest not in by_digest:
            path = _safe(file.path)
            # two names that differ by case only are one file on some disks
            path = sha256(file.path.encode()) if path.casefold() in used else path
            used.add(path.casefold())
            by_digest[digest] = f"v1/content/{path}"
        rows.append((by_digest[digest], digest, file.path, file.data))
    return rows


def _safe(path: str) -> str:
    """Encode a path so that any disk can hold it; one with an overlong part goes by its digest."""
    parts = [quote(part, safe=" ()+,=@") for part in path.split("/")]
    parts = [re.sub(r"^[. ]|[. ]$", lambda match: f"%{ord(match[0]):02X}", part) for part in parts]
    return "/".join(parts) if all(0 < len(part) <= _LONGEST_PART for part in parts) else sha256(path.encode())


def _inventory(deposit: Deposit, content: list[_Content], created: datetime, by: str, withheld: bool) -> dict[str, Any]:
    manifest: dict[str, list[str]] = {}
    fixity: dict[str, list[str]] = {}
    state: dict[str, list[str]] = {}
    for path, digest, logical, data in content:
        if digest not in manifest:
            manifest[digest] = [path]
            fixity[sha256(data)] = [path]
        state.setdefault(digest, []).append(logical)
    about: dict[str, Any] = {"deposit": deposit.digest, "kind": deposit.kind, "name": deposit.name}
    if withheld:
        about["withheld"] = True
    version = {
        "created": utc_text(created),
        "message": canonical_json(about).decode(),
        "state": state,
        "user": {"name": by or "unnamed"},
    }
    return {
        "id": f"deposit:{deposit.digest}",
        "type": "https://ocfl.io/1.1/spec/#inventory",
        "digestAlgorithm": "sha512",
        "head": "v1",
        "contentDirectory": "content",
        "manifest": manifest,
        "fixity": {"sha256": fixity},
        "versions": {"v1": version},
    }


@dataclass(frozen=True)
class Sealed:
    """The sealed store of an archive.

    Parameters
    ----------
    root : Path
        The archive's folder.
    """

    root: Path

    @property
    def folder(self) -> Path:
        """The OCFL storage root."""
        return self.root / SEALED

    def contains(self, digest: str) -> bool:
        """Return whether a deposit's bytes are sealed here, taken or not."""
        return (self._object(digest) / _INVENTORY).is_file()

    def root_files(self) -> list[tuple[str, bytes]]:
        """Return the files that declare the store, by path in the archive."""
        return [(f"{SEALED}/{path}", data) for path, data in _ROOT_FILES.items()]

    def files_of(self, digest: str) -> list[tuple[str, bytes]]:
        """Read every file of a deposit's object: path relative to its folder, and bytes."""
        base = self._object(digest)
        return [(p.relative_to(base).as_posix(), p.read_bytes()) for p in sorted(base.rglob("*")) if p.is_file()]

    def object_path(self, digest: str) -> str:
        """Name the folder of a deposit's object, relative to the archive's folder."""
        return f"{SEALED}/{object_folder(digest)}"

    def stand_in(self, note: Mapping[str, Any]) -> Deposit:
        """Name a sealed deposit by what the ledger notes of it, without its bytes."""
        return Deposit(str(note["name"]), str(note["kind"]), str(note["deposit"]), ())

    def withheld(self, digest: str) -> bool:
        """Return whether a tombstone stands in place of a deposit's content."""
        try:
            message = json.loads(self._inventory(digest)["versions"]["v1"]["message"])
        except (OSError, ValueError, KeyError, TypeError):
            return False
        return bool(message.get("withheld"))

    def digests(self) -> list[str]:
        """List the digests of all deposits sealed here, taken or not."""
        objects = self.folder.glob("???/???/???/deposit%3a*")
        return sorted(path.name.removeprefix("deposit%3a") for path in objects)

    def seal(self, deposits: Sequence[Deposit], created: datetime, by: str, staging: Path) -> None:
        """Seal deposits; bytes that are already sealed are left alone.

        Parameters
        ----------
        deposits : sequence of Deposit
        created : datetime
            When the archive takes them.
        by : str
            Code of the person who hands them in.
        staging : Path
            Folder on the same filesystem where the objects are made before they are moved here whole.
        """
        fresh = {d.digest: d for d in deposits if not self.contains(d.digest)}
        missing = [
            (self.folder / path, data) for path, data in _ROOT_FILES.items() if not (self.folder / path).exists()
        ]
        staged = [
            (staging / digest / path, data)
            for digest, deposit in fresh.items()
            for path, data in object_files(deposit, created, by)
        ]
        fs.write_files([*missing, *staged])
        fs.publish_folders([(staging / digest, self._object(digest)) for digest in fresh])

    def forget_empty_folders(self, digest: str) -> None:
        """Remove the empty folders that a writer who died left where a deposit's object was to stand."""
        fs.remove_empty_folders(self._object(digest).parent, self.folder)

    def read(self, digest: str) -> Deposit:
        """Read a deposit as it was handed in, checking every byte.

        Raises
        ------
        ArchiveDamaged
            If it is not here, or not as it was sealed.
        """
        where = f"{SEALED}/{object_folder(digest)}"
        try:
            inventory = self._inventory(digest)
            about, files = _understood(inventory, self._object(digest))
        except (OSError, ValueError, KeyError, TypeError, IndexError) as error:
            msg = f"{where}: expected a sealed deposit, found {error!r}; its bytes cannot be given out"
            raise ArchiveDamaged(msg) from error
        if about.get("withheld"):
            msg = f"{where}: expected a sealed deposit, found it withheld by a decision; {TOMBSTONE} says by which"
            raise Withheld(msg)
        actual = deposit_digest(about["kind"], files)
        if actual != digest:
            msg = f"{where}: expected a deposit with the digest {digest}, found {actual}; it is not as sealed"
            raise ArchiveDamaged(msg)
        return Deposit(about["name"], about["kind"], digest, tuple(files))

    def faults(self, digest: str) -> list[Fault]:
        """Check the object of one deposit: declaration, inventories, every byte, nothing besides."""
        folder = f"{SEALED}/{object_folder(digest)}"
        if not self._object(digest).is_dir():
            return [Fault("sealed", folder, "expected a sealed deposit, found nothing")]
        linked = [path for path in self._folders_to(digest) if path.is_symlink()]
        if linked:
            return [Fault("sealed", self._relative(linked[0]), "expected a folder, found a link")]
        return list(self._faults(digest, folder))

    def verify(self, look: Callable[[Sequence[str]], list[Fault]] | None = None) -> list[Fault]:
        """Check the whole store: its declarations, every object, and that nothing else lies in it.

        Parameters
        ----------
        look : callable, optional
            Checks objects by their digests, for whoever shares that; ``faults`` of each without.
        """
        if not self.folder.exists():
            return []
        faults = [f for path, data in _ROOT_FILES.items() for f in _unequal(self.root, f"{SEALED}/{path}", data)]
        digests = self.digests()
        faults += look(digests) if look else [fault for digest in digests for fault in self.faults(digest)]
        return faults + list(self._strangers(digests))

    def _object(self, digest: str) -> Path:
        return self.folder / object_folder(digest)

    def _folders_to(self, digest: str) -> list[Path]:
        above = self._object(digest)
        return [p for p in reversed((above, *above.parents)) if self.root in p.parents]

    def _inventory(self, digest: str) -> dict[str, Any]:
        inventory: dict[str, Any] = json.loads(read_regular(self._object(digest) / _INVENTORY))
        return inventory

    def _faults(self, digest: str, folder: str) -> Iterator[Fault]:
        declaration, text = _OBJECT_DECLARATION
        yield from _unequal(self.root, f"{folder}/{declaration}", text)
        try:
            data = read_regular(self._object(digest) / _INVENTORY)
            inventory = json.loads(data)
            paths = {path: sum512 for sum512, content in inventory["manifest"].items() for path in content}
            sums256 = {path: d for d, content in inventory["fixity"]["sha256"].items() for path in content}
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            yield Fault("sealed", f"{folder}/{_INVENTORY}", f"expected an inventory, found {error!r}")
            return
        sidecar = f"{sha512(data)} {_INVENTORY}\n".encode()
        for copy in ("", "v1/"):
            yield from _unequal(self.root, f"{folder}/{copy}{_INVENTORY}", data)
            yield from _unequal(self.root, f"{folder}/{copy}{_SIDECAR}", sidecar)
        broken = [
            fault
            for path, expected in sorted(paths.items())
            for fault in self._content_faults(f"{folder}/{path}", expected, sums256.get(path, ""))
        ]
        yield from broken
        yield from self._extra(digest, folder, set(paths))
        if not broken:
            yield from self._misnamed(digest, folder, inventory, sums256)

    def _content_faults(self, path: str, expected: str, expected256: str) -> Iterator[Fault]:
        try:
            data = read_regular(self.root / path)
        except OSError as error:
            yield Fault("sealed", path, f"expected sealed bytes, found: {error.strerror}")
            return
        actual = both_digests(data)
        if actual != (expected, expected256):
            details = {"expected sha512": expected, "found sha512": actual[0]}
            yield Fault("sealed", path, "expected the bytes as sealed, found others", details)

    def _extra(self, digest: str, folder: str, known: set[str]) -> Iterator[Fault]:
        base = self._object(digest)
        copies = {f"{copy}{name}" for copy in ("", "v1/") for name in (_INVENTORY, _SIDECAR)}
        expected = known | copies | {_OBJECT_DECLARATION[0]}
        for path in sorted(base.rglob("*")):
            inside = path.relative_to(base).as_posix()
            if is_folder(path):
                if not any(path.iterdir()):
                    yield Fault("sealed", f"{folder}/{inside}", "expected sealed bytes, found an empty folder")
            elif inside not in expected:
                kind = irregular(path) or "a file"
                yield Fault("sealed", f"{folder}/{inside}", f"expected nothing, found {kind} that was never sealed")

    def _misnamed(
        self, digest: str, folder: str, inventory: dict[str, Any], sums: Mapping[str, str]
    ) -> Iterator[Fault]:
        """Hold the digest an object is named by against its files, whose own digests were just proved."""
        try:
            version = inventory["versions"]["v1"]
            about = json.loads(version["message"])
            if about.get("withheld"):
                return
            places = {path: inventory["manifest"][d][0] for d, paths in version["state"].items() for path in paths}
            base = self._object(digest)
            rows = [(path, (base / place).stat().st_size, sums[place]) for path, place in places.items()]
            actual = _digest_of(about["kind"], rows)
        except (OSError, ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
            yield Fault("sealed", folder, f"expected a sealed deposit, found {error!r}; its bytes cannot be given out")
            return
        if actual != digest:
            sentence = f"expected a deposit with the digest {digest}, found {actual}; it is not as sealed"
            yield Fault("sealed", folder, sentence)

    def strangers(self) -> list[Fault]:
        """Find files and empty folders that belong to no object."""
        return list(self._strangers(self.digests())) if self.folder.exists() else []

    def _strangers(self, digests: Sequence[str]) -> Iterator[Fault]:
        objects = {self._object(digest) for digest in digests}
        known = {self.folder / path for path in _ROOT_FILES}
        todo = [self.folder]
        while todo:
            here = todo.pop()
            inside = sorted(here.iterdir())
            if not inside:
                yield Fault("sealed", self._relative(here), "expected an object, found an empty folder")
            for path in inside:
                if is_folder(path) and path not in objects:
                    todo.append(path)
                elif not is_folder(path) and path not in known | objects:
                    kind = irregular(path) or "a file"
                    yield Fault("sealed", self._relative(path), f"expected nothing, found {kind} of no object")

    def _relative(self, path: Path) -> str:
        return path.relative_to(self.root).as_posix()


def _understood(inventory: dict[str, Any], base: Path) -> tuple[dict[str, str], list[DepositFile]]:
    version = inventory["versions"]["v1"]
    about = json.loads(version["message"])
    places = ((path, inventory["manifest"][d][0]) for d, paths in version["state"].items() for path in paths)
    return about, [DepositFile(path, read_regular(base / place)) for path, place in sorted(places)]


def _unequal(root: Path, path: str, expected: bytes) -> Iterator[Fault]:
    try:
        actual = read_regular(root / path)
    except OSError as error:
        yield Fault("sealed", path, f"expected {len(expected)} bytes as sealed, found: {error.strerror}")
        return
    if actual != expected:
        yield Fault("sealed", path, "expected the bytes as sealed, found others")
