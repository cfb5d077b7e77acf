"""Where files lie."""

from __future__ import annotations

import hashlib
from pathlib import PurePosixPath
from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell import schemas
from stillwell.archive.disk import layout
from stillwell.errors import ArchiveError


@given(st.text(min_size=1, max_size=20))
def test_any_site_is_one_safe_folder_that_says_its_code(site):
    """A code is one path component without odd characters, and percent-decoding gives it back."""
    folder = layout.site_folder(site)

    assert len(PurePosixPath(folder).parts) == 1
    assert folder.isascii()
    assert not set(folder) & set('/\\:*?"<>|\0\n ')
    if "~" not in folder:
        assert site == unquote(folder.removeprefix("site="))


def test_overlong_codes_stay_apart():
    """Codes longer than a disk's names are cut and still differ."""
    folders = {layout.site_folder("a" * 500 + end) for end in "xy"}

    assert len(folders) == 2
    assert max(map(len, folders)) < 200


def test_a_code_is_cut_beyond_120_letters():
    """Of 120 letters it is its own folder; of 121 its first hundred and twelve of its digest are, and stay the name."""
    digest = hashlib.sha256(b"a" * 121).hexdigest()
    assert layout.site_folder("a" * 120) == f"site={'a' * 120}"
    assert layout.site_folder("a" * 121) == f"site={'a' * 100}~{digest[:12]}"
    assert layout.site_of_folder(layout.netcdf_folder("a b/c")) == "a b/c"
    assert layout.site_of_folder(layout.netcdf_folder("a" * 121)) == f"{'a' * 100}~{digest[:12]}"


@pytest.mark.parametrize(
    "path",
    ["/etc/passwd", "netcdf/../ledger/x", "netcdf//x", "ledger/00000001.json", "sealed/x", "netcdf", "other",
     "netcdf/a\\..\\b", "work/lock", "tables/gaugings/x.parquet", "./README.txt", ""],
)  # fmt: skip
def test_documents_stay_in_their_folders(path):
    """A document that climbs, or that would land among facts or tables, is refused."""
    with pytest.raises(ArchiveError, match="nothing was written"):
        layout.check_document_path(path)


@pytest.mark.parametrize("path", ["README.txt", "netcdf/alder/2025.nc", "returned/1/reasons.json"])
def test_documents_in_their_folders_are_welcome(path):
    """The README and what lies in a folder for documents."""
    layout.check_document_path(path)


def test_the_schema_of_this_software_can_be_read_by_it():
    """The major version written is the newest that is read."""
    assert int(schemas.SCHEMA_VERSION.split(".")[0]) == layout.READABLE_MAJOR


@given(st.integers(1, 99_999_999))
def test_an_entry_is_found_by_its_name(number):
    """The number can be read off the name, and off nothing else."""
    name = PurePosixPath(layout.entry_path(number)).name

    assert number == layout.entry_number(name)
    assert layout.entry_number(f".{name}.part") is None
