"""NetCDF files rendered again, held against those the ledger lists, by value and meaning. Writes nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import netCDF4
import numpy as np

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.outputs import Output
from stillwell.archive.netcdf.render import rendered
from stillwell.fingerprint import sha256
from stillwell.sameness import same_numbers
from stillwell.shared_types import Fault


def netcdf_faults(archive: Archive, wanted: Sequence[Output], office: Mapping[str, str]) -> Iterator[Fault]:
    """Render files again and name those whose values are not what their rows make.

    Parameters
    ----------
    archive : Archive
    wanted : sequence of Output
        Files that are not behind.
    office : mapping of str to str

    Yields
    ------
    Fault
        Of kind ``netcdf``.
    """
    made = set()
    for path, data in rendered(archive, wanted, office):
        made.add(path)
        file = archive.ledger.listed(path)
        if file is None:
            yield Fault("netcdf", path, "expected the file of the rows that stand, found none listed")
        elif sha256(data) != file.sha256:
            # another version of a library lays the same values out in other bytes
            for sentence in differing_values(archive.document(path), data):
                yield Fault("netcdf", path, sentence)
    for output in wanted:
        if output.path not in made and archive.ledger.listed(output.path) is not None:
            yield Fault("netcdf", output.path, "expected no file, since no row of it stands, found one listed")


def differing_values(stored: bytes, expected: bytes) -> list[str]:
    """Compare two files value by value: every dimension and variable with its attributes, whatever else the file says.

    Parameters
    ----------
    stored, expected : bytes

    Returns
    -------
    list of str
        A sentence for each variable that is missing or differs; one found beside those expected is no fault.
    """
    with (
        netCDF4.Dataset("stored", memory=stored) as one,
        netCDF4.Dataset("expected", memory=expected) as other,
    ):
        one.set_auto_mask(False)
        other.set_auto_mask(False)
        return [
            sentence
            for name, variable in other.variables.items()
            if (sentence := _difference(name, one.variables.get(name), variable))
        ]


def _difference(name: str, stored: Any, expected: Any) -> str:
    if stored is None:
        return f"expected the variable {name} as rendered again, found none"
    if stored.shape != expected.shape or stored.dtype != expected.dtype:
        return f"expected {name} of {expected.dtype} {expected.shape}, found {stored.dtype} {stored.shape}"
    one, other = stored[...], expected[...]
    same = _same(one, other)
    if np.all(same):
        return _other_meaning(name, stored, expected)
    at = tuple(int(i) for i in np.argwhere(~np.atleast_1d(same))[0])
    pair = np.atleast_1d(other)[at], np.atleast_1d(one)[at]
    return f"{name}{list(at)}: expected {pair[0]!r} as rendered again, found {pair[1]!r}; {int((~same).sum())} differ"


def _other_meaning(name: str, stored: Any, expected: Any) -> str:
    """Say which attribute of a variable, such as its units, is not what it should be; empty where all are."""
    one, other = (variable.__dict__ for variable in (stored, expected))
    for key in sorted({*one, *other}):
        if key not in one or key not in other or not _same_attribute(one[key], other[key]):
            return f"{name}: expected {key} {other.get(key)!r} as rendered again, found {one.get(key)!r}"
    return ""


def _same_attribute(stored: Any, expected: Any) -> bool:
    one, other = np.asarray(stored), np.asarray(expected)
    if one.shape != other.shape or one.dtype.kind != other.dtype.kind:
        return False
    return bool(np.all(_same(one, other)))


def _same(stored: Any, expected: Any) -> Any:
    """Flag the values of two arrays of one kind that are the same, numbers to rounding."""
    return same_numbers(stored, expected) if stored.dtype.kind == "f" else stored == expected
