"""Whether one place lies in another, so that no archive is taken into itself. Reads and writes nothing."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from stillwell.errors import DepositError


def lies_within(place: Path, root: Path) -> bool:
    """Say whether a place is a folder or lies in it, whatever links lead there."""
    inner, outer = place.resolve(), root.resolve()
    return inner == outer or outer in inner.parents


def refuse_itself(root: Path, paths: Iterable[Path]) -> None:
    """Refuse to take an archive into itself.

    Parameters
    ----------
    root : Path
        The archive's folder.
    paths : iterable of Path
        Deposits.

    Raises
    ------
    DepositError
        If one is the archive, lies in it or holds it.
    """
    for path in paths:
        inside, around = lies_within(path, root), lies_within(root, path)
        if inside or around:
            relation = (
                "the archive itself" if inside and around else "a part of it" if inside else "a folder that holds it"
            )
            msg = f"expected a deposit outside the archive {root}, found {relation}: {path}; nothing was taken"
            raise DepositError(msg)
