"""Field gaugings in, a defended hydrometric archive out."""

from __future__ import annotations

from datetime import datetime
from os import PathLike
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stillwell.reading.opened import Opened

__version__ = "0.1.0"
__all__ = ["__version__", "open"]


def open(path: str | PathLike[str], as_of: datetime | str | None = None) -> Opened:
    """Open an archive for reading. Takes no lock and writes nothing.

    Parameters
    ----------
    path : str or path
        The archive's folder.
    as_of : datetime or str, optional
        Only what had been recorded by then, with its offset from UTC; everything when not given.

    Returns
    -------
    Opened
        The archive as it stood at this moment; open it again to see what came later.

    Raises
    ------
    NotAnArchive
        If the folder is not an archive this version can read.
    QueryError
        If ``as_of`` is not a moment with its offset.

    Examples
    --------
    >>> import stillwell
    >>> a = stillwell.open("sample_archive/archive")
    >>> a
    archive of 4 sites, 4 commits, the last on 2025-10-17 08:00 UTC
    >>> a.gaugings(site="INV-ORM", status="approved")[["gauging_id", "discharge_m3_s"]].round(3)
                             gauging_id  discharge_m3_s
    0  INV-ORM.20241030T113000Z.INV-AC3           3.501
    """
    from stillwell.reading.opened import Opened

    return Opened(path, as_of)
