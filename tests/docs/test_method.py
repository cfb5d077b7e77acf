"""The page on how numbers are made leaves none out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from stillwell.hydrometry import totals
from stillwell.reading.records import STEPS
from stillwell.schemas import ARCHIVE_TABLES, DEPOSIT_TABLES
from stillwell.schemas.derive import columns

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "method.md").read_text(encoding="utf-8")
TRAIL = {"revision", "row_line"}


def computed(table):
    """Name the columns of a table that hold numbers which nobody hands in."""
    handed_in = {c.name for c in columns(DEPOSIT_TABLES[table])} if table in DEPOSIT_TABLES else set()
    if table in ("verticals", "discharge"):
        handed_in |= {c.name for c in columns(DEPOSIT_TABLES["points"])} - {"mean_velocity_m_s"}
    return [c.name for c in columns(ARCHIVE_TABLES[table]) if c.units and c.name not in handed_in | TRAIL]


@pytest.mark.parametrize(
    "table", ["gaugings", "verticals", "points", "uncertainty_budget", "checks", "discharge", "daily"]
)
def test_every_computed_number_is_on_the_page(table):
    """By its own name, or by the beginning it shares with its kin."""
    kin = [name.rstrip("*") for name in re.findall(r"`([a-z_0-9]+_\*)`", TEXT)]
    assert computed(table)
    left = [
        name
        for name in computed(table)
        if not re.search(rf"\b{name}\b", TEXT) and not name.startswith(tuple(kin)) and name != "order_walked"
    ]
    assert left == []


def test_every_step_of_a_record_and_every_module_is_on_the_page():
    """Steps by name; every module named exists, and each that computes is named, or the start of its name is."""
    assert [step for step in STEPS if step not in ("values", "daily") and step not in TEXT] == []
    assert totals.__name__.rpartition(".")[2] in TEXT
    named = {name for found in re.findall(r"`((?:\w+/)?\w+\*?)\.py`", TEXT) for name in [found.rpartition("/")[2]]}
    hydrometry = {p.stem for p in (ROOT / "src" / "stillwell" / "hydrometry").glob("*.py")}
    known = {p.stem for p in (ROOT / "src" / "stillwell").rglob("*.py")}
    assert {name for name in named if name.rstrip("*") not in known and not name.endswith("*")} == set()
    kin = tuple(name.rstrip("*") for name in named if name.endswith("*"))
    plumbing = {"__init__", "choices", "compute", "runs"}
    unnamed = {name for name in hydrometry - plumbing if name not in named and not (kin and name.startswith(kin))}
    assert unnamed == set()
