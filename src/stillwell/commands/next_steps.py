"""What to type next: after an error, and for whoever comes for the first time."""

from __future__ import annotations

import errno
import os
import shlex
from collections.abc import Callable
from pathlib import Path

from stillwell import errors

HERE = Path("archive")
VARIABLE = "STILLWELL_ARCHIVE"

_AFTER: tuple[tuple[type[Exception], str], ...] = (
    (
        errors.ArchiveLocked,
        "the same command again when the other one is done; reading goes on meanwhile, as in `stillwell list{at}`",
    ),
    (
        errors.CannotLock,
        "keep the archive on a disk of this machine; `stillwell replicate --to DIR{at}` makes copies elsewhere",
    ),
    (
        errors.ClockRefused,
        "`date` shows this computer's clock: set it right and type the same command again; where it is right, add "
        "--clock-is-right",
    ),
    (
        errors.ArchiveDamaged,
        "`stillwell audit{at}` names everything that is damaged; `stillwell audit --repair-from COPY{at}` restores it "
        "from a copy that `stillwell replicate` made",
    ),
    (
        errors.Withheld,
        '`stillwell query "SELECT * FROM withholdings"{at}` says by which decision',
    ),
    (
        errors.MapError,
        "`stillwell ingest --map MAP --dry-run DEPOSIT` shows what a map makes of a file; nothing is written",
    ),
    (
        errors.PolicyError,
        "`stillwell assess --policy FILE{at}` tries a policy file, which need only say what differs",
    ),
    (
        errors.DepositError,
        "`stillwell template --output sheets.xlsx` writes a workbook to fill in; `stillwell ingest --map MAP --dry-run "
        "DEPOSIT` shows how files of another layout are understood",
    ),
)
"""By kind of error, the most severe first; where none fits, the command says what comes next."""


_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def is_archive(root: Path) -> bool:
    """Return whether a folder holds the first entry of a ledger."""
    from stillwell.archive.disk.layout import entry_path

    try:
        return (root / entry_path(1)).is_file()
    except OSError:
        return False


def default_archive() -> Path:
    """Return the archive meant where none is named: ./archive, or the current folder where that is one."""
    return Path() if not is_archive(HERE) and is_archive(Path()) else HERE


def at(archive: Path | None) -> str:
    """Write the option that names an archive, nothing where it would be found without."""
    if archive is None or archive in (Path(os.environ.get(VARIABLE) or default_archive()),):
        return ""
    return f" --archive {shlex.quote(str(archive))}"


def next_step(error: Exception, archive: Path | None, then: Callable[[], str] | str = "") -> str:
    """Say what to type after an error.

    Parameters
    ----------
    error : Exception
    archive : Path, optional
        The archive that was meant.
    then : str, or callable that makes it
        What the command itself proposes where the kind of the error says nothing; ``{at}`` stands for the archive.

    Returns
    -------
    str
        Empty where there is nothing to propose.
    """
    if isinstance(error, errors.NotAnArchive):
        return _no_archive(archive)
    if isinstance(error, OSError) and error.errno in _FULL:
        return f"the same command again once there is room; `stillwell audit{at(archive)}` proves what stands"
    step = next((words for kind, words in _AFTER if isinstance(error, kind)), None)
    if step is None and not isinstance(then, str):
        try:
            step = then()
        except errors.StillwellError as worse:
            return next_step(worse, archive)
    return str(then if step is None else step).replace("{at}", at(archive))


def _no_archive(archive: Path | None) -> str:
    root = archive or HERE
    other = f"--archive DIR or {VARIABLE} names another archive"
    if is_archive(root):
        return other
    if root.is_file() or (root.is_dir() and any(root.iterdir())):
        return f"an archive starts in an empty or a new folder: `stillwell ingest DEPOSIT... --archive DIR`; {other}"
    return f"`stillwell ingest DEPOSIT...{at(archive)}` starts one there; {other}"


def welcome(archive: Path | None = None) -> str:
    """Say what this is, what the archive at hand holds, and what to type.

    Parameters
    ----------
    archive : Path, optional
        The archive named; without it ``STILLWELL_ARCHIVE``, ./archive or the current folder.

    Returns
    -------
    str

    Raises
    ------
    ArchiveDamaged, NotAnArchive
        If the archive found cannot be read.
    """
    from stillwell import __version__

    named = archive or (Path(os.environ[VARIABLE]) if os.environ.get(VARIABLE) else None)
    root = named or default_archive()
    if not is_archive(root):
        return _first_visit(__version__, root, named)
    from stillwell.archive.archive import Archive
    from stillwell.reading.printed.overview import overview_text

    opened = Archive(root)
    lines = [f"stillwell {__version__}. {overview_text(opened)}", ""]
    here = at(root)
    typed = (
        (f"stillwell list sites{here}", "or gaugings, instruments, checks, deposits, commits"),
        (f"stillwell show ID{here}", "one gauging as a person would check it"),
        (f"stillwell serve{here}", "all of it in a browser on this machine"),
        (f"stillwell audit{here}", "prove every byte and compute every number again"),
        (f"stillwell ingest DEPOSIT...{here}", "take in field sheets"),
    )
    return "\n".join([*lines, *_typed(typed)]) + "\n"


def _first_visit(version: str, root: Path, named: Path | None) -> str:
    where = f"in {root}" if named else f"in ./{HERE}, and the current folder is none ({VARIABLE} is not set)"
    typed = (
        ("stillwell template --output sheets.xlsx", "a blank workbook to fill in"),
        (f"stillwell ingest DEPOSIT...{at(root)}", "folders, zips, workbooks, CSV: starts an archive there"),
        ("stillwell --archive DIR", "what an archive elsewhere holds"),
        ("stillwell --help", "every command; each has a --help of its own"),
    )
    lines = [
        f"stillwell {version}: field gaugings in, a defended hydrometric archive out.",
        f"There is no archive {where}. What to type next:",
        "",
        *_typed(typed),
    ]
    return "\n".join(lines) + "\n"


def _typed(lines: tuple[tuple[str, str], ...]) -> list[str]:
    width = max(len(typed) for typed, _ in lines)
    return [f"  {typed:<{width}}  {words}" for typed, words in lines]
