"""Zips built byte by byte: a password, entries over each other, and their harmless twins."""

from __future__ import annotations

import io
import zipfile

import pytest

from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.zips import unzipped
from stillwell.shared_types import DepositFile

A, B = b"gauging,site\n" + b"G1,S1\n" * 20, b"site,name\nS1,One\n"


def _stored(name, data):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(name, data)
        return out.getvalue()[: archive.start_dir], archive.getinfo(name)


def _two(overlap):
    """Lay the entry b.csv so that its first bytes are the last ones of a.csv."""
    local, entry = _stored("b.csv", B)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a.csv", A + local[:overlap])
        end = archive.start_dir
        archive.fp.seek(end)
        archive.fp.write(local[overlap:])
        archive.start_dir = archive.fp.tell()
        entry.header_offset = end - overlap
        archive.filelist.append(entry)
        archive.NameToInfo["b.csv"] = entry
        archive._didModify = True
    return DepositFile("x.zip", out.getvalue())


def test_files_right_behind_each_other_are_taken():
    """Two entries that touch and do not overlap are what every zip holds."""
    assert [(file.path, file.data) for file in unzipped(_two(0))] == [("a.csv", A), ("b.csv", B)]


@pytest.mark.parametrize("overlap", [1, 30, len(B)])
def test_files_over_each_other_are_refused(overlap):
    """One shared byte is enough: such a zip can hold far more than its size, each entry within its bounds."""
    zipped = _two(overlap)
    with zipfile.ZipFile(io.BytesIO(zipped.data)) as archive:
        assert archive.read("b.csv") == B  # any other reader opens it
    with pytest.raises(CannotRead, match=r"files that lie behind each other in the zip.*a\.csv over another"):
        unzipped(zipped)


@pytest.mark.parametrize("bit", [0x1, 0x9])
def test_a_password_is_named(bit):
    """An entry marked as encrypted is refused for that reason and by its name; other marks are no password."""
    directory = io.BytesIO()
    with zipfile.ZipFile(directory, "w") as archive:
        archive.writestr("b.csv", B)
    data = bytearray(directory.getvalue())
    data[6] |= bit
    data[data.index(b"PK\x01\x02") + 8] |= bit
    with pytest.raises(CannotRead, match=r"a zip without a password.*b\.csv is encrypted"):
        unzipped(DepositFile("x.zip", bytes(data)))


def test_other_flag_bits_are_no_password():
    """The bit that says names are UTF-8 leaves an entry readable."""
    local, _ = _stored("ä.csv", B)
    assert local[7] & 0x08
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("ä.csv", B)
    assert [(file.path, file.data) for file in unzipped(DepositFile("x.zip", out.getvalue()))] == [("ä.csv", B)]
