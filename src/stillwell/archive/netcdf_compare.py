"""NetCDF files rendered again, held against those the ledger lists, value by value. Writes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Set
from typing import Any

import netCDF4
import numpy as np

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf_layout import variables_of
from stillwell.fingerprint import sha256
from stillwell.records import Fault
from stillwell.sameness import same_numbers


def unlike_listed(archive: Archive, rendered: Iterable[tuple[str, bytes]], missing: str) -> Iterator[Fault]:
    """Name the files that are not listed, or whose values are not those rendered again.

    Parameters
    ----------
    archive : Archive
    rendered : iterable of (str, bytes)
        Path and content.
    missing : str
        Sentence for a file that is not listed.

    Yields
    ------
    Fault
        Of kind ``netcdf``.
    """
    for path, data in rendered:
        file = archive.ledger.listed(path)
        if file is None:
            yield Fault("netcdf", path, missing)
        elif sha256(data) != file.sha256:
            # another version of a library lays the same values out in other bytes
            for sentence in differing_values(archive.document(path), data, _later_than(archive, path)):
                yield Fault("netcdf", path, sentence)


def _later_than(archive: Archive, path: str) -> frozenset[str]:
    """Name the variables that the schema has known only since a later version than the one a file was written by."""
    written = archive.schema_versions[path]
    table = path.rpartition("/")[2].rpartition("_")[0]
    tables = ("gaugings", "verticals", "points") if table == "gaugings" else (table,)
    made = (variable for name in tables for _, variable in variables_of(name))
    return frozenset(variable.name for variable in made if _numbered(variable.since) > _numbered(written))


def _numbered(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in version.split("."))


def differing_values(found: bytes, expected: bytes, may_lack: Set[str] = frozenset()) -> list[str]:
    """Compare two files value by value: every dimension and variable, whatever their bytes and attributes.

    Parameters
    ----------
    found, expected : bytes
    may_lack : set of str
        Variables that the file was written without, since the schema did not know them yet.

    Returns
    -------
    list of str
        A sentence for each variable that is missing or differs; one found beside those expected is no fault.
    """
    with (
        netCDF4.Dataset("found", memory=found) as one,
        netCDF4.Dataset("expected", memory=expected) as other,
    ):
        one.set_auto_mask(False)
        other.set_auto_mask(False)
        return [
            sentence
            for name, variable in other.variables.items()
            if (name in one.variables or name not in may_lack)
            and (sentence := _difference(name, one.variables.get(name), variable))
        ]


def _difference(name: str, found: Any, expected: Any) -> str:
    if found is None:
        return f"expected the variable {name} as rendered again, found none"
    if found.shape != expected.shape or found.dtype != expected.dtype:
        return f"expected {name} of {expected.dtype} {expected.shape}, found {found.dtype} {found.shape}"
    one, other = found[...], expected[...]
    same = same_numbers(one, other) if one.dtype.kind == "f" else one == other
    if np.all(same):
        return ""
    at = tuple(int(i) for i in np.argwhere(~np.atleast_1d(same))[0])
    pair = np.atleast_1d(other)[at], np.atleast_1d(one)[at]
    return f"{name}{list(at)}: expected {pair[0]!r} as rendered again, found {pair[1]!r}; {int((~same).sum())} differ"
