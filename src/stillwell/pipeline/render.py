"""NetCDF files made of what stands, in commits of their own: made before the lock, listed under it if still right."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.disk.lock import WAIT_S
from stillwell.archive.ledger.chain import Entry
from stillwell.archive.ledger.input_digests import inputs_digest
from stillwell.archive.netcdf.background import MadeFile, made_files, making_folder
from stillwell.archive.netcdf.outputs import Behind, Output, behind, behind_words
from stillwell.archive.writing.writer import Commit, Writer
from stillwell.errors import ArchiveLocked, QueryError, StillwellError
from stillwell.pipeline.committing import office_of, utc_now, writing
from stillwell.pipeline.documents import fixed_documents

REASON = "render"
"""What the ledger entry of a rendering gives as its reason."""


@dataclass(frozen=True)
class Rendered:
    """What came of a rendering."""

    entry: Entry | None = None
    """None where nothing was behind, or nothing that was made could be listed."""
    files: tuple[str, ...] = ()
    """Paths rendered, also those whose bytes are what they were."""
    struck: tuple[str, ...] = ()
    """Paths no longer listed."""
    dropped: tuple[str, ...] = ()
    """Paths made in vain: their inputs changed meanwhile, and whoever changed them renders them."""
    locked: bool = False
    """Whether another writer was at work for so long that nothing was rendered."""
    later: bool = False
    """Whether rendering was left for later, as was asked."""


After = Callable[[Rendered], object]
"""Told what was rendered after a commit."""


def unheard(rendered: Rendered) -> None:
    """Tell nobody."""


def render(
    root: Path,
    sites: Iterable[str] | None = None,
    *,
    by: str = "unnamed",
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    processes: int = 0,
    strict: bool = False,
) -> Rendered:
    """Render every NetCDF file that is behind, and list what is rendered in one commit.

    Parameters
    ----------
    root : Path
        The archive's folder.
    sites : iterable of str, optional
        Only the files of these, and of those that share a gauging with them.
    by : str
        Code of the person or job that renders.
    now : callable
        The clock, read under the writer's lock.
    wait_s : float
        Seconds to wait for the lock while another writer is at work.
    processes : int
        Processes that share the work where there are many files; with 0 the caller does all.
    strict : bool
        Refuse sites that the register does not name.

    Returns
    -------
    Rendered

    Raises
    ------
    QueryError
        If the register names no such site.
    ArchiveLocked
        If another writer is at work for longer than that; what was made is thrown away.
    """
    archive = Archive(root, complete=True)
    unknown = sorted(set(sites or ()) - set(archive.ledger.inputs().sites("sites")))
    if unknown and strict:
        msg = f"expected sites of the register, found {', '.join(unknown)}; nothing was rendered"
        raise QueryError(msg)
    wanted = None if sites is None else archive.related(sorted(set(sites)))
    office = office_of(archive)
    late = list(behind(archive, office, wanted))
    if not late:
        return Rendered()
    with making_folder(root, now()) as folder:
        todo = _in_order(one.output for one in late if one.output)
        made = made_files(archive, todo, office, folder, processes)
        with writing(root, by=by, now=now, create=False, wait_s=wait_s, earlier=archive.ledger) as writer:
            same = writer.archive.ledger.head_digest() == archive.ledger.head_digest()
            commit, dropped = rendering(writer, todo, made, wanted, late if same else None)
            if not commit.made_from and not commit.replaced:
                return Rendered(dropped=dropped)
            return Rendered(writer.commit(commit), tuple(sorted(commit.made_from)), tuple(commit.replaced), dropped)


def _in_order(outputs_: Iterable[Output]) -> list[Output]:
    return sorted(outputs_, key=lambda output: (output.site, output.table, output.year))


def rendering(
    writer: Writer,
    todo: Sequence[Output],
    made: Sequence[MadeFile],
    sites: Sequence[str] | None,
    known: Sequence[Behind] | None = None,
) -> tuple[Commit, tuple[str, ...]]:
    """Lay out the commit of files made before the lock was taken, as far as they still fit what stands.

    Parameters
    ----------
    writer : Writer
    todo : sequence of Output
        What was to be made, with the inputs it was made from.
    made : sequence of MadeFile
        What was made; nothing for an output of which no row stands.
    sites : sequence of str or None
        Sites asked for; None for all.
    known : sequence of Behind, optional
        What is behind of them, where nothing was committed since that was looked up.

    Returns
    -------
    Commit
    tuple of str
        Paths whose inputs have changed since.
    """
    office = office_of(writer.archive)
    late = {one.path: one for one in (behind(writer.archive, office, sites) if known is None else known)}
    right = {output.path: output for output in todo if _still(output, late.get(output.path))}
    files = [file for file in made if file.path in right]
    listed = {path for path in writer.archive.ledger.live_tables() if path.startswith("netcdf/")}
    empty = (right.keys() & listed) - {file.path for file in files}
    gone = {path for path, one in late.items() if one.output is None and path in listed}
    commit = Commit(
        # an archive of an earlier day describes the layout of its files as it was
        replacing=fixed_documents(office) if right or gone else {},
        made=files,
        made_from={path: dict(output.made_from) for path, output in sorted(right.items())},
        replaced=sorted(empty | gone),
        counts={"files rendered": len(files), "files no longer listed": len(empty | gone)},
        reason=REASON,
    )
    return commit, tuple(sorted({output.path for output in todo} - right.keys()))


def _still(output: Output, late: Behind | None) -> bool:
    """Say whether an output is still behind with the inputs it was made from."""
    if late is None or late.output is None:
        return False
    return inputs_digest(late.output.made_from) == inputs_digest(output.made_from)


def render_after(
    root: Path,
    entry: Entry,
    *,
    by: str,
    now: Callable[[], datetime] = utc_now,
    wait_s: float = WAIT_S,
    render_now: bool = True,
) -> Rendered:
    """Render the files of the sites that a commit wrote rows of; ``render`` with what the entry names.

    Where another writer is at work for too long, or ``render_now`` is false, the files stay behind, for the next
    rendering to finish: the commit stands, and what it came to is not lost.
    """
    if not render_now:
        return Rendered(later=True)
    sites = {site for file in entry.files for site in file.sites}
    try:
        return render(root, sites, by=by, now=now, wait_s=wait_s) if sites else Rendered()
    except ArchiveLocked:
        return Rendered(locked=True)


class StillBehind(StillwellError):
    """Files are behind that a rendering should have made."""


def render_all(root: Path, *, by: str, processes: int = 0, now: Callable[[], datetime] = utc_now) -> Rendered:
    """Render whatever is behind; ``render`` of every site.

    Raises
    ------
    StillBehind
        If files are behind still, because rows changed meanwhile or because they cannot be made.
    """
    made = render(root, by=by, processes=processes, now=now)
    archive = Archive(root, complete=True)
    if late := list(behind(archive, office_of(archive))):
        raise StillBehind(behind_words(late))
    return made
