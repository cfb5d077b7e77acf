"""An archive made again from its sealed bytes and its ledger alone, and held against what the ledger lists."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path

import pandas as pd

from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.batches.compaction_plan import lots_again
from stillwell.archive.care.fixity import file_faults, sealed_faults
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import LOCK, WORK
from stillwell.archive.disk.lock import hold_lock
from stillwell.archive.disk.nested_paths import lies_within
from stillwell.archive.disk.regular_files import read_regular
from stillwell.archive.ledger.chain import Entry, Ledger
from stillwell.archive.ledger.clock import RightClock
from stillwell.archive.ledger.entries import shipped_policies
from stillwell.archive.netcdf.background import made_files, making_folder
from stillwell.archive.netcdf.compare import differing_values
from stillwell.archive.netcdf.outputs import is_of_this_rendering, outputs
from stillwell.archive.readme import schema_documents
from stillwell.archive.sealed import Sealed
from stillwell.archive.tables.table_files import arrow_schema, read_files
from stillwell.archive.writing.compact import REASON as COMPACTION
from stillwell.archive.writing.compact import compaction
from stillwell.archive.writing.writer import Commit, Writer
from stillwell.errors import ArchiveError, Withheld
from stillwell.fingerprint import sha256
from stillwell.pipeline.committing import commit_context, office_of, utc_now, writing
from stillwell.pipeline.derive import REASON as DERIVED
from stillwell.pipeline.derive import RECOMPUTED, derivation, recomputation, sites_of
from stillwell.pipeline.documents import fixed_documents
from stillwell.pipeline.ingest import commit_of, taken_again
from stillwell.pipeline.render import REASON as RENDERED
from stillwell.prepare import prepare
from stillwell.prepare.recompute import anew
from stillwell.prepare.records import derived
from stillwell.prepare.watermarks import marked_sites
from stillwell.sameness import same_cells
from stillwell.shared_types import ListedFile

Progress = Callable[[str, int, int], None]


NETCDF = "netcdf/"


@dataclass(frozen=True)
class Rebuilt:
    """What came of a rebuilding."""

    commits: int
    files: int
    """Files the ledger of the original lists, over all commits."""
    different: tuple[str, ...]
    """Files whose digest is not what the original's ledger says, with the commit."""
    rounded: tuple[str, ...]
    """Files in other bytes whose values are those of the original to rounding, with the commit."""
    replaced: tuple[str, ...]
    """Files in other bytes that were replaced since, with the commit: nothing is left to hold their values against.
    They count as different unless others are the same to rounding, which shows another processor or library."""
    carried: tuple[int, ...]
    """Commits whose rows were taken over from the original, since what they rest on is withheld."""
    other_version: str
    """Version of the software that made the original, where it is another; rows then differ in naming it."""
    left_out: int = 0
    """NetCDF files that commits before format 2.0 list beside their rows, which are rendered by a commit of its own,
    and those that an earlier version rendered, whose bytes this one does not make."""
    stood: bool = False
    """Whether the folder held all of it already, and nothing was written."""


UNFINISHED = f"{WORK}/rebuild"
"""Lies in a folder as long as a rebuilding into it is not finished; locked while it is at work."""


def rebuild(source: Path, into: Path, progress: Progress | None = None, *, start_over: bool = False) -> Rebuilt:
    """Make an archive again, commit by commit, at the moments and by the persons its ledger names.

    Parameters
    ----------
    source : Path
        Only ``sealed`` and ``ledger`` are read, but for commits that rest on withheld content.
    into : Path
        A folder that does not exist or is empty; one that holds the same archive whole is left as it is.
    progress : callable, optional
    start_over : bool
        Clear the folder first, if a rebuilding of this archive into it was cut short.

    Returns
    -------
    Rebuilt

    Raises
    ------
    ArchiveError
        If the folder holds something, or lies in the archive.
    ArchiveDamaged
        If sealed bytes or the ledger are not as written.
    """
    if lies_within(into, source):
        msg = f"expected a folder outside the archive {source}, found {into}; nothing was written"
        raise ArchiveError(msg)
    original = Archive(source, complete=True)
    left = _cut_short(into)
    if not left and any(path != into / WORK for path in into.rglob("*")):
        return _standing(original, into)
    if left and not start_over:
        msg = f"expected an empty folder, found in {into} a rebuilding that was cut short; --start-over clears it"
        raise ArchiveError(msg)
    fs.make_folder(into / WORK)
    with hold_lock(into / UNFINISHED, utc_now(), wait_s=0.0):
        fs.sync_folders([into / WORK])
        _clear(original, into)
        made = _rebuilt(original, into, progress)
        fs.remove_file(into / UNFINISHED)
    return made


def _standing(original: Archive, into: Path) -> Rebuilt:
    """Prove by digests that a folder holds an archive made again before, the same entry by entry and file by file.

    Raises
    ------
    ArchiveError
        If it does not.
    """
    msg = f"expected an empty folder to rebuild into, found {into} with something in it; nothing was written"
    entries = original.ledger.entries()
    if Ledger(into).numbers() != {entry.number for entry in entries}:
        raise ArchiveError(msg)
    made = Archive(into)
    if made.ledger.digests() != original.ledger.digests():
        raise ArchiveError(msg)
    if faults := [*file_faults(made), *sealed_faults(made)]:
        msg = f"{msg}: it has the same entries, but {faults[0].path} is damaged; `stillwell audit` names all"
        raise ArchiveError(msg)
    return Rebuilt(len(entries), sum(len(entry.files) for entry in entries), (), (), (), (), "", stood=True)


def _cut_short(into: Path) -> bool:
    """Return whether a folder holds a rebuilding that was never finished."""
    return (into / UNFINISHED).is_file()


def _clear(original: Archive, into: Path) -> None:
    """Remove what a rebuilding that was cut short left; not where anything else was taken in there since."""
    strange = set(Sealed(into).digests()) - set(original.sealed.digests())
    if strange or max(Ledger(into).numbers(), default=0) > original.ledger.head_number():
        msg = f"expected a rebuilding of {original.root} in {into}, found something else in it; it was left alone"
        raise ArchiveError(msg)
    for path in [*into.iterdir(), *(into / WORK).iterdir()]:
        if path not in (into / WORK, into / UNFINISHED):
            (fs.remove_tree if path.is_dir() else fs.remove_file)(path)


def _rebuilt(original: Archive, into: Path, progress: Progress | None) -> Rebuilt:
    """Make every commit again."""
    tell = progress or (lambda step, done, total: None)
    entries = original.ledger.entries()
    _copy_sealed(original, into, entries[0].recorded_at)
    different: list[str] = []
    rounded: list[str] = []
    replaced: list[str] = []
    carried: list[int] = []
    left_out = 0
    shipped = shipped_policies(entries)
    for entry in entries:
        tell("rebuilding", entry.number - 1, len(entries))
        clock = RightClock(partial(_still, entry.recorded_at))
        text = shipped.get(entry.shipped_policy, "")
        with writing(into, by=entry.by, now=clock, policy_text=text, rules=entry.rules) as writer:
            made = _again(original, writer, entry, carried)
        left_out += sum(_is_left_out(entry, file) for file in entry.files)
        for file, alike in _unlike(original, into, entry, made):
            kind = {True: rounded, False: different, None: replaced}[alike]
            kind.append(f"commit {entry.number}: {file.path}")
    versions = {str(entry.software.get("version")) for entry in entries} - {__version__}
    count = sum(len(entry.files) for entry in entries)
    if not rounded:
        different, replaced = [*different, *replaced], []
    named = tuple(different), tuple(rounded), tuple(replaced), tuple(carried)
    return Rebuilt(len(entries), count, *named, ", ".join(sorted(versions)), left_out)


def _unlike(original: Archive, into: Path, entry: Entry, made: Entry) -> Iterator[tuple[ListedFile, bool | None]]:
    """Name the files of a commit that came out in other bytes, and whether their values are the same to rounding.

    None where that is unknown because the file was replaced later.
    """
    tables = {(file.table, file.sites): file for file in made.files if file.table}
    documents = {file.path: file for file in made.files}
    for file in entry.files:
        if _is_left_out(entry, file):
            continue
        new = tables.get((file.table, file.sites)) if file.table else documents.get(file.path)
        if new is None and file.path.startswith(NETCDF):
            # an earlier commit, rendered as this version does, may have listed these bytes already
            new = Ledger(into).listed(file.path)
        if new is None or new.sha256 != file.sha256:
            yield file, False if new is None else _same_values(original, into, file, new)


def _is_left_out(entry: Entry, file: ListedFile) -> bool:
    """Say whether a file is NetCDF named beside its rows, as before format 2.0, or of an earlier rendering."""
    if not file.path.startswith(NETCDF):
        return False
    return entry.reason != RENDERED or not is_of_this_rendering(entry.made_from.get(file.path, {}))


def _same_values(original: Archive, into: Path, file: ListedFile, new: ListedFile) -> bool | None:
    """Compare a file with what was made in its place, value by value; None for one that was replaced since."""
    place, live = original.root / file.path, original.listing().get(file.path)
    try:
        data = read_regular(place)
    except OSError:
        data = b""
    if sha256(data) != file.sha256:
        return False if live is not None and live.sha256 == file.sha256 else None
    if file.table:
        schema = arrow_schema(file.table)
        one, other = (read_files([path], schema=schema) for path in (place, into / new.path))
        return len(one) == len(other) and all(same_cells(one[name], other[name]).all() for name in one)
    return file.path.endswith(".nc") and not differing_values(data, read_regular(into / new.path))


def _still(moment: datetime) -> datetime:
    return moment


def _copy_sealed(original: Archive, into: Path, since: datetime) -> None:
    fs.make_folder(into / WORK)
    with hold_lock(into / LOCK, since):
        for digest in original.sealed.digests():
            faults = original.sealed.faults(digest)
            if faults:
                msg = f"{faults[0].path}: {faults[0].sentence}; the rebuilding stops, repair it from a copy first"
                raise ArchiveError(msg)
            folder = original.sealed.object_path(digest)
            fs.write_files([(into / folder / path, data) for path, data in original.sealed.files_of(digest)])


def _again(original: Archive, writer: Writer, entry: Entry, carried: list[int]) -> Entry:
    """Make one commit again."""
    if entry.reason == COMPACTION:
        listed = {file.path: file for before in original.ledger.entries() for file in before.files}
        return writer.commit(compaction(writer.archive, lots_again(writer.archive, entry, listed), schema_documents()))
    if entry.reason == RENDERED:
        return _rendered_again(writer, entry)
    if entry.reason == DERIVED:
        context = commit_context(writer, None)
        rows = derived(writer.archive, sites_of(entry), context)
        return writer.commit(derivation(writer, context, rows, marked_sites(entry)))
    if entry.reason == RECOMPUTED:
        context = commit_context(writer, None)
        return writer.commit(recomputation(context, anew(writer.archive, context)))
    try:
        deposits, used, understood = taken_again(original, entry)
    except Withheld:
        carried.append(entry.number)
        return writer.commit(_carried(original, writer, entry))
    context = commit_context(writer, understood, used)
    prepared = prepare(writer.archive, deposits, understood, context)
    return writer.commit(commit_of(writer, context, deposits, prepared))


def _rendered_again(writer: Writer, entry: Entry) -> Entry:
    """Render again what an entry lists that was rendered, from what stands before it."""
    office = office_of(writer.archive)
    wanted = {output.path: output for output in outputs(writer.archive, office)}
    todo = [wanted[path] for path in entry.made_from if path in wanted]
    with making_folder(writer.root, writer.recorded_at) as folder:
        made = made_files(writer.archive, todo, office, folder)
        return writer.commit(
            Commit(
                replacing=fixed_documents(office),
                made=made,
                made_from={output.path: dict(output.made_from) for output in todo},
                replaced=[path for path in entry.replaced if path in writer.archive.ledger.live_tables()],
                counts=dict(entry.counts or {}),
                reason=RENDERED,
            )
        )


def _carried(original: Archive, writer: Writer, entry: Entry) -> Commit:
    """Take a commit over as it stands, row by row."""
    tables = {}
    for name in original.tables():
        rows = original.read(name)
        mine = rows[rows["recorded_at"] == pd.Timestamp(entry.recorded_at)].reset_index(drop=True)
        if len(mine):
            tables[name] = mine
    context = commit_context(writer, None)
    kept = {file.path for file in entry.files if file.path.startswith(("provenance/", "returned/"))}
    live = original.listing()
    return Commit(
        deposits=[original.sealed.stand_in(note) for note in entry.deposits],
        deposit_notes=[dict(note) for note in entry.deposits],
        tables=tables,
        documents={path: original.document(path) for path in sorted(kept & live.keys())},
        replacing=fixed_documents(context.policy.office),
        counts=dict(entry.counts or {}),
        reason=entry.reason,
    )
