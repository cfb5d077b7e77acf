"""What the NetCDF files of fixed rows hold, digest by digest, kept beside the number of the rendering.

``python -m tests.golden.rendering`` writes ``rendering.json`` again, and refuses where files have changed while
``stillwell.archive.netcdf.outputs.RENDERING`` is the number kept with them.
"""

from __future__ import annotations

import json
import sys
import tempfile
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.outputs import RENDERING, outputs
from stillwell.archive.netcdf.render import gaugings_files, rendered
from stillwell.fingerprint import sha256
from stillwell.pipeline.committing import office_of

HERE = Path(__file__).parent
KEPT = HERE / "rendering.json"
FILTERS = ("zlib", "shuffle", "complevel", "fletcher32")

Outline = dict[str, dict[str, str]]
"""By ``dimensions``, ``attributes`` or ``variables``: digests by name."""


def files(folder: Path) -> dict[str, bytes]:
    """Render every kind of file from the rows of a golden archive.

    Parameters
    ----------
    folder : Path
        Empty; the archive is unpacked there.

    Returns
    -------
    dict of str to bytes
        By path; ``without points`` is the file of a site at which nothing was waded.
    """
    with zipfile.ZipFile(HERE / "archive_2.0_first.zip") as packed:
        packed.extractall(folder)
    archive = Archive(folder)
    office = office_of(archive)

    def rows(table: str, sites: Any, columns: Any = None) -> Any:
        held = archive.read(table, sites, columns)
        return held.iloc[:0] if table in ("verticals", "points") else held

    out = dict(rendered(archive, list(outputs(archive, office)), office))
    return out | {"without points": dict(gaugings_files(rows, ["S1", "S2"], office, {"S1"}))["S1"]}


def outline(data: bytes) -> Outline:
    """Digest each dimension, global attribute and variable of a file, a variable with its type, attributes and values.

    Numbers are written to 12 digits (6 in single precision), so that the last digits of another processor or library
    change no digest.
    """
    with netCDF4.Dataset("held", memory=data) as file:
        file.set_auto_mask(False)
        file.set_auto_chartostring(False)
        return {
            "dimensions": {name: str(len(one)) for name, one in sorted(file.dimensions.items())},
            "attributes": {name: _digest(_told(file.getncattr(name))) for name in sorted(file.ncattrs())},
            "variables": {name: _digest(_variable(one)) for name, one in sorted(file.variables.items())},
        }


def _variable(one: Any) -> list[Any]:
    attributes = {name: _told(one.getncattr(name)) for name in sorted(one.ncattrs())}
    filters = one.filters() or {}
    return [str(one.dtype), one.dimensions, attributes, [filters.get(name) for name in FILTERS], _told(one[...])]


def _told(value: Any) -> Any:
    """Write an attribute or the values of a variable with their type."""
    if isinstance(value, str):
        return value
    array = np.asarray(value)
    if array.dtype.kind == "f":
        digits = "%.6g" if array.dtype == np.float32 else "%.12g"
        return [str(array.dtype), array.shape, [digits % one for one in array.ravel().tolist()]]
    plain = array.tobytes().hex() if array.dtype.kind == "S" else array.ravel().tolist()
    return [str(array.dtype), array.shape, plain]


def _digest(told: Any) -> str:
    return sha256(json.dumps(told).encode())[:16]


def differences(kept: Mapping[str, Outline], now: Mapping[str, Outline]) -> list[str]:
    """Name each file, and each part of one, that is not as it was kept."""
    out = [f"{path}: only {'kept' if path in kept else 'rendered'}" for path in sorted(kept.keys() ^ now.keys())]
    for path in sorted(kept.keys() & now.keys()):
        for part in ("dimensions", "attributes", "variables"):
            one, other = kept[path][part], now[path][part]
            out += [
                f"{path}: {part}: {name}" for name in sorted(one.keys() | other) if one.get(name) != other.get(name)
            ]
    return out


def main() -> int:
    """Write what is rendered now beside the number of the rendering."""
    with tempfile.TemporaryDirectory() as folder:
        now = {path: outline(data) for path, data in sorted(files(Path(folder)).items())}
    kept = json.loads(KEPT.read_text()) if KEPT.exists() else {"rendering": 0, "files": {}}
    changed = differences(kept["files"], now)
    if changed and kept["rendering"] >= RENDERING:
        print(*changed, "raise stillwell.archive.netcdf.outputs.RENDERING first; nothing was written", sep="\n")  # noqa: T201
        return 1
    KEPT.write_text(json.dumps({"rendering": RENDERING, "files": now}, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
