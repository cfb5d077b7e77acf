"""NetCDF files made outside the writer's lock: in a folder of their own, whose maker holds a lock that dies with it.

A maker's folder lies in the work folder under a name nobody else uses, beside a lock file of the same name. A writer
removes only folders whose lock is free: a maker killed at work leaves nothing behind, and one at work is let be.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import MAKING
from stillwell.archive.disk.lock import hold_lock, is_held
from stillwell.archive.netcdf.outputs import Output
from stillwell.errors import ArchiveLocked
from stillwell.fingerprint import sha256

LOCKED = ".lock"
"""Ending of the name of a folder's lock file."""
SPAWN_FROM = 256
"""Files from which on other processes help: each needs a second or two to begin."""
AT_ONCE = 64
"""Files held in memory before they are written, and written out together."""


@dataclass(frozen=True)
class MadeFile:
    """A whole file outside its place: where it goes, where it lies, and what it is."""

    path: str
    source: Path
    sha256: str
    size: int


@contextmanager
def making_folder(root: Path, now: datetime) -> Iterator[Path]:
    """Hold a folder of one's own in an archive's work folder while the block runs; it is removed afterwards.

    Parameters
    ----------
    root : Path
        The archive's folder.
    now : datetime
        Written into the lock, for whoever finds it held.

    Raises
    ------
    CannotLock
        If the filesystem gives no locks.
    """
    fs.make_folder(root / MAKING)
    while True:
        folder = root / MAKING / uuid.uuid4().hex
        lock = folder.with_suffix(LOCKED)
        with hold_lock(lock, now):
            if not lock.exists():
                continue  # a writer swept the lock file between its making and its locking
            try:
                fs.make_folder(folder)
                yield folder
            finally:
                fs.remove_tree(folder)
                fs.remove_file(lock)
            return


def sweep_making(root: Path, now: datetime) -> None:
    """Remove what makers left that died at work; a folder whose lock is held is let be."""
    place = root / MAKING
    if not place.is_dir():
        return
    for name in sorted({path.stem for path in place.iterdir()}):
        folder, lock = place / name, place / f"{name}{LOCKED}"
        try:
            with hold_lock(lock, now, wait_s=0.0):
                fs.remove_tree(folder)
                fs.remove_file(lock)
        except ArchiveLocked:
            continue


def left_by_makers(root: Path) -> list[str]:
    """Name the folders in an archive's work folder whose makers died at work; nothing is changed."""
    place = root / MAKING
    names = sorted({path.stem for path in place.iterdir()}) if place.is_dir() else []
    return [name for name in names if not is_held(place / f"{name}{LOCKED}")]


def made_files(
    archive: Archive, wanted: Sequence[Output], office: Mapping[str, str], folder: Path, processes: int = 0
) -> list[MadeFile]:
    """Render files into a folder, whole and fsynced.

    Parameters
    ----------
    archive : Archive
    wanted : sequence of Output
        In the order of ``outputs``.
    office : mapping of str to str
    folder : Path
        The maker's own.
    processes : int
        Processes to share the work; they are spawned, and only for many files. With 0 the caller does all.

    Returns
    -------
    list of MadeFile
        Without those of which no row stands.

    Raises
    ------
    ArchiveDamaged
        If a table file is not as it was written.
    OSError
        If the disk refuses.
    """
    number, root = archive.ledger.head_number(), archive.root
    if processes < 2 or len(wanted) < SPAWN_FROM:
        return _make(archive, wanted, office, folder, 0)
    # few renderings have files enough for other processes
    from stillwell.archive.workers import spawned

    with spawned(processes) as pool:
        parts = list(_parts(wanted, len(wanted) // (4 * processes)))
        starts = [sum(map(len, parts[:i])) for i in range(len(parts))]
        lots = [
            pool.submit(_make_lot, root, number, part, dict(office), folder, start)
            for part, start in zip(parts, starts, strict=True)
        ]
        return [file for lot in lots for file in lot.result()]


def _parts(wanted: Sequence[Output], least: int) -> Iterator[list[Output]]:
    """Part files into lots of whole sites, each of at least so many."""
    lot: list[Output] = []
    for output in wanted:
        if lot and len(lot) >= least and lot[-1].site != output.site:
            yield lot
            lot = []
        lot.append(output)
    if lot:
        yield lot


def _make_lot(
    root: Path, number: int, wanted: Sequence[Output], office: Mapping[str, str], folder: Path, start: int
) -> list[MadeFile]:
    return _make(Archive(root, complete=True, number=number), wanted, office, folder, start)


def _make(
    archive: Archive, wanted: Sequence[Output], office: Mapping[str, str], folder: Path, start: int
) -> list[MadeFile]:
    # a commit without a rendering does without netCDF4
    from stillwell.archive.netcdf.render import rendered

    files = rendered(archive, wanted, office)
    made: list[MadeFile] = []
    while some := list(islice(files, AT_ONCE)):
        places = [folder / f"{start + len(made) + i:06d}.nc" for i in range(len(some))]
        fs.write_files([(place, data) for place, (_, data) in zip(places, some, strict=True)])
        made += [
            MadeFile(path, place, sha256(data), len(data)) for place, (path, data) in zip(places, some, strict=True)
        ]
    return made
