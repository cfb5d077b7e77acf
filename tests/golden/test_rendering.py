"""The number of the rendering is raised whenever fixed rows come to other NetCDF files."""

from __future__ import annotations

import json

import netCDF4
import pytest

from stillwell.archive.netcdf.outputs import RENDERING
from tests.golden.rendering import KEPT, differences, files, outline

RAISE = (
    "the same rows come to other NetCDF files: raise stillwell.archive.netcdf.outputs.RENDERING, say there what "
    "changed, then run `python -m tests.golden.rendering` and `make sample`"
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Render every kind of file from fixed rows."""
    return files(tmp_path_factory.mktemp("rendered"))


def test_fixed_rows_come_to_what_was_kept_with_this_number(made):
    """Dimensions, attributes, types and values of every kind of file are those kept, and kept with this number."""
    kept = json.loads(KEPT.read_text())
    assert {path.rpartition("/")[2].partition("_")[0].removesuffix(".nc") for path in made} == {
        "gaugings",
        "daily",
        "stage",
        "discharge",
        "without points",
    }
    assert differences(kept["files"], {path: outline(data) for path, data in made.items()}) == [], RAISE
    assert kept["rendering"] == RENDERING, "run `python -m tests.golden.rendering`: the number was raised"


def _renamed(data):
    data.renameVariable("within_percent", "quality")


def _other_units(data):
    data["discharge"].units = "l s-1"


def _other_title(data):
    data.title = "Another"


def _other_value(data):
    data["discharge"][0] *= 1.000001


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (_renamed, ["variables: quality", "variables: within_percent"]),
        (_other_units, ["variables: discharge"]),
        (_other_title, ["attributes: title"]),
        (_other_value, ["variables: discharge"]),
    ],
)
def test_a_change_of_a_file_is_seen_and_named(made, tmp_path, change, named):
    """A variable renamed, other units, another title or another value changes just the digests of those."""
    path, data = "netcdf/S1/gaugings.nc", made["netcdf/S1/gaugings.nc"]
    (tmp_path / "file.nc").write_bytes(data)
    with netCDF4.Dataset(tmp_path / "file.nc", "a") as file:
        change(file)
    changed = outline((tmp_path / "file.nc").read_bytes())
    assert differences({path: outline(data)}, {path: changed}) == [f"{path}: {part}" for part in named]
