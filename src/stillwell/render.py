"""NetCDF files made of what stands, in commits of their own: made before the lock, listed under it if still right."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.inputs import inputs_digest
from stillwell.archive.ledger import Entry
from stillwell.archive.making import MadeFile, made_files, making_folder
from stillwell.archive.outputs import Behind, Output, behind, outputs
from stillwell.archive.writer import Commit, Writer

REASON = "render"
"""What the ledger entry of a rendering gives as its reason."""


@dataclass(frozen=True)
class Rendered:
    """What came of a rendering."""

    entry: Entry | None
    """None where nothing was behind, or nothing that was made could be listed."""
    files: int
    """Files listed."""
    struck: int
    """Files no longer listed."""
    dropped: tuple[str, ...]
    """Paths made in vain: their inputs changed meanwhile, and whoever changed them renders them."""
