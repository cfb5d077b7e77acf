"""A BagIt 1.0 bag (RFC 8493) of files whose bytes are given: whole at its place, or not there at all."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from stillwell.archive.disk import fs
from stillwell.archive.disk.regular_files import is_folder, read_regular
from stillwell.errors import CannotLock
from stillwell.publishing.public import CannotPublish

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_DECLARED = "bagit.txt"
DIGESTS = ("sha256", "sha512")
_NO_LOCKS = {errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL, errno.EBADF}


@dataclass(frozen=True)
class Packed:
    """One file of a bag, by its path in the bag."""

    path: str
    size: int
    digests: Mapping[str, str]


@dataclass
class Bag:
    """A bag being filled; nobody sees it under its name before it is sealed."""

    folder: Path
    files: list[Packed] = field(default_factory=list)
    """The payload so far."""
    sealed: bool = False
    stood: bool = False
    """Whether the same bag, byte for byte, was at its place already."""
    cut_short: tuple[str, ...] = ()
    """Hidden folders beside it, which publications under other names left that were cut short."""

    def add(self, path: str, data: bytes) -> Packed:
        """Put a file into the payload; ``add_pieces`` of one piece."""
        return self.add_pieces(path, [data])

    def add_pieces(self, path: str, pieces: Iterable[bytes]) -> Packed:
        """Put a file into the payload whose bytes come one after the other; they are never held together.

        Parameters
        ----------
        path : str
            Under ``data/``, with ``/``.
        pieces : iterable of bytes

        Returns
        -------
        Packed

        Raises
        ------
        CannotPublish
            If the path is not a plain one.
        """
        parts = PurePosixPath(path).parts
        if path != "/".join(parts) or ".." in parts or not parts or any(not plain_name(part) for part in parts):
            msg = f"expected a plain path for a file of the bag, found {path!r}; nothing was published"
            raise CannotPublish(msg)
        packed = self._write(f"data/{path}", pieces)
        self.files.append(packed)
        return packed

    def seal(self, info: Mapping[str, str]) -> None:
        """Write the tag files: what the bag is, and the digests of all that is in it.

        Parameters
        ----------
        info : mapping of str to str
            Further lines of ``bag-info.txt``, in order.
        """
        size = sum(file.size for file in self.files)
        lines = {**info, "Payload-Oxum": f"{size}.{len(self.files)}"}
        tags = [
            self._write(_DECLARED, [DECLARATION]),
            self._write("bag-info.txt", [f"{k}: {one_line(v)}\n".encode() for k, v in lines.items()]),
            *(self._manifest("manifest", name, self.files) for name in DIGESTS),
        ]
        for name in DIGESTS:
            self._manifest("tagmanifest", name, tags)
        self.sealed = True

    def _manifest(self, kind: str, name: str, files: list[Packed]) -> Packed:
        lines = [f"{file.digests[name]}  {in_manifest(file.path)}\n" for file in sorted(files, key=lambda f: f.path)]
        return self._write(f"{kind}-{name}.txt", ["".join(lines).encode("utf-8")])

    def _write(self, path: str, pieces: Iterable[bytes]) -> Packed:
        digests = {name: hashlib.new(name) for name in DIGESTS}
        size = 0

        def digested() -> Iterator[bytes]:
            nonlocal size
            for piece in pieces:
                size += len(piece)
                for digest in digests.values():
                    digest.update(piece)
                yield piece

        fs.write_pieces(self.folder / path, digested())
        return Packed(path, size, {name: digest.hexdigest() for name, digest in digests.items()})


def plain_name(name: str) -> bool:
    """Return whether a name means the same to every system and every reader of manifests."""
    return name.isprintable() and name not in (".", "..") and not set(name) & set('%\\:*?"<>|')


def in_manifest(path: str) -> str:
    """Write a path as manifests want it: per cent, carriage return and line feed encoded, nothing else."""
    return path.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def one_line(text: str) -> str:
    """Write a text on one line, without characters that are not meant to be seen."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


@contextmanager
def new_bag(out: Path) -> Iterator[Bag]:
    """Fill a bag beside its place, and put it there when the block has sealed it.

    Parameters
    ----------
    out : Path
        A folder that does not exist, or holds the very bag that is to be made.

    Yields
    ------
    Bag

    Raises
    ------
    CannotPublish
        If there is something else at ``out``, or the disk refuses; nothing is left behind as far as it lets us.
    CannotLock
        If the filesystem gives no locks.
    """
    part = fs.temporary(out)
    bag = Bag(part)
    try:
        fs.make_folder(out.parent)
        with _alone_in(out.parent):
            exists = out.exists() or out.is_symlink()
            if exists and (out.is_symlink() or not (out / _DECLARED).is_file()):
                msg = f"expected no file or folder {out} yet, found one; nothing was written"
                raise CannotPublish(msg)
            fs.remove_tree(part)
            bag.cut_short = _cut_short(out.parent)
            try:
                yield bag
                if bag.sealed and exists:
                    _refuse_unlike(part, out)
                    # whoever put it there may have died before its name was sure to last
                    fs.sync_folders([out.parent])
                    bag.stood = True
                elif bag.sealed:
                    fs.publish_folder(part, out)
            finally:
                fs.remove_tree(part)
    except OSError as error:
        placed = bag.sealed and out.exists()
        state = "it is there whole, but a crash may still take it" if placed else "nothing was published"
        msg = f"expected to write the bag {out}, found: {error.strerror or error}; {state}"
        raise CannotPublish(msg) from error


def _refuse_unlike(made: Path, out: Path) -> None:
    """Refuse a bag that is there already and is not, byte for byte, the one that was made.

    Raises
    ------
    CannotPublish
        With the first file that differs.
    """
    mine, theirs = _inside(made), _inside(out)
    differ = [path for path in sorted(mine | theirs) if not _same(made / path, out / path)]
    if differ:
        msg = (
            f"expected no bag {out} yet, or the very one that is published now; found another, {len(differ)} of "
            f"{len(mine | theirs)} files differ, such as {differ[0]}; it was left as it was"
        )
        raise CannotPublish(msg)


def _inside(folder: Path) -> set[str]:
    """Name what lies in a folder, folders left out."""
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if not is_folder(path)}


def _same(one: Path, other: Path) -> bool:
    try:
        return read_regular(one) == read_regular(other)
    except OSError:
        return False


def _cut_short(folder: Path) -> tuple[str, ...]:
    """Name the hidden folders in which publications were made that did not end; whoever asks is alone in there."""
    return tuple(sorted(path.name for path in folder.glob(".*.part") if is_folder(path / "data")))


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Let only one process at a time publish into a folder; whoever comes second waits."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                raise
            msg = f"the filesystem of {folder} gives no locks ({error.strerror}); nothing was written"
            raise CannotLock(msg) from error
        yield
    finally:
        os.close(descriptor)
