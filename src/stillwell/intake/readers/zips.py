"""The files of a zip, within bounds that are checked before anything is unpacked. Opens no zip inside a zip."""

from __future__ import annotations

import io
import stat
import struct
import zipfile
import zlib
from collections import Counter
from pathlib import PurePosixPath

from stillwell.intake.limits import GREATEST_RATIO, MIB, MOST_DIRECTORY, MOST_FILES, MOST_UNPACKED
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.file_names import name_fault
from stillwell.shared_types import DepositFile

PACKINGS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
"""The others unpack a whole stream at once, whatever size the zip says it has."""
_LOCAL_HEADER = 30
BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    NotImplementedError,
    EOFError,
    OSError,
    RuntimeError,
    ValueError,
    IndexError,
    OverflowError,
)
"""What a broken zip makes the library raise."""


class _Frugal(io.BytesIO):
    """Bytes of a zip of which a long table of contents is never read: it would become an object for each entry."""

    opened = False

    def read(self, size: int | None = -1) -> bytes:
        """Read on, but not a long table of contents."""
        if not self.opened and size is not None and size > MOST_DIRECTORY:
            raise CannotRead(f"a table of contents of at most {MOST_DIRECTORY // MIB} MiB", f"{size} bytes")
        return super().read(size)


def open_zip(data: bytes) -> zipfile.ZipFile:
    """Open a zip whose table of contents is no longer than it may be.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    zipfile.ZipFile

    Raises
    ------
    CannotRead
        If it is too long, or no entry can be told from another.
    """
    source = _Frugal(data)
    try:
        archive = zipfile.ZipFile(source)
    except zipfile.BadZipFile as error:
        raise CannotRead(
            "a zip that can be opened", "no list of files at its end that can be read; cut short?"
        ) from error
    except BROKEN as error:
        raise CannotRead("a zip that can be opened", error_text(error)) from error
    source.opened = True
    _check_packing(archive.infolist(), archive.start_dir)
    return archive


def unzipped(file: DepositFile) -> list[DepositFile]:
    """Unpack a zip, by name.

    Parameters
    ----------
    file : DepositFile

    Returns
    -------
    list of DepositFile

    Raises
    ------
    CannotRead
        If it is no zip, climbs, links, explodes, or holds what cannot be told apart.
    """
    try:
        with open_zip(file.data) as archive:
            entries = [entry for entry in archive.infolist() if not _is_folder(entry)]
            _check_names(archive.infolist())
            _check_size(entries)
            return [DepositFile(e.filename, content(archive, e)) for e in sorted(entries, key=lambda e: e.filename)]
    except BROKEN as error:
        raise CannotRead("a zip that can be opened", error_text(error)) from error


def content(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    """Read an entry, but never more of it than it says it holds."""
    with archive.open(entry) as stream:
        data = stream.read(entry.file_size + 1)
    if len(data) != entry.file_size:
        raise CannotRead(f"{entry.file_size} bytes in {entry.filename}", "another number")
    return data


def error_text(error: BaseException) -> str:
    """Return the message of a library's exception, or the name of its class."""
    return str(error) or type(error).__name__


def _is_folder(entry: zipfile.ZipInfo) -> bool:
    return entry.filename.endswith("/")


def _check_packing(entries: list[zipfile.ZipInfo], end: int) -> None:
    """Refuse entries that are packed so that their size is not bounded, locked, or lie over each other."""
    for entry in entries:
        if entry.compress_type not in PACKINGS:
            raise CannotRead("a zip packed by deflating or not at all", f"another packing of {entry.filename}")
        if entry.flag_bits & 0x1:
            raise CannotRead("a zip without a password", f"{entry.filename} is encrypted")
    ordered = sorted(entries, key=lambda entry: entry.header_offset)
    for entry, begin in zip(ordered, [*(e.header_offset for e in ordered[1:]), end], strict=False):
        if entry.header_offset + _LOCAL_HEADER + len(entry.orig_filename) + entry.compress_size > begin:
            raise CannotRead("files that lie behind each other in the zip", f"{entry.filename} over another")


def _check_names(entries: list[zipfile.ZipInfo]) -> None:
    if len(entries) > MOST_FILES:
        raise CannotRead(f"at most {MOST_FILES} files in a zip", str(len(entries)))
    for entry in entries:
        path = PurePosixPath(entry.filename.replace("\\", "/"))
        if not path.parts:
            raise CannotRead("a name for every file in the zip", f"{entry.filename!r}")
        if path.is_absolute() or ".." in path.parts or ":" in path.parts[0]:
            raise CannotRead("paths that stay inside the zip", entry.filename)
        if fault := name_fault(entry.filename):
            raise CannotRead("names that can be read and printed", f"{fault} in {entry.filename}")
        if stat.S_IFMT(entry.external_attr >> 16) not in (0, stat.S_IFREG, stat.S_IFDIR):
            kind = "a symbolic link" if stat.S_ISLNK(entry.external_attr >> 16) else "a device or pipe"
            raise CannotRead("files in a zip", f"{kind}, {entry.filename}")
    twice = [name for name, count in Counter(entry.filename for entry in entries).items() if count > 1]
    if twice:
        raise CannotRead("every file once", f"{twice[0]} more than once")


def _check_size(entries: list[zipfile.ZipInfo]) -> None:
    size, packed = sum(e.file_size for e in entries), sum(e.compress_size for e in entries)
    if size > MOST_UNPACKED or size > max(packed, 1024) * GREATEST_RATIO:
        most = f"a zip of at most {MOST_UNPACKED // MIB} MiB and {GREATEST_RATIO} times its size"
        raise CannotRead(most, f"{size} bytes")
