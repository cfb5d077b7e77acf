"""The page on how numbers are made leaves none out."""

from __future__ import annotations

import re
from fnmatch import fnmatch
from pathlib import Path

import pytest

from stillwell.hydrometry.record import totals
from stillwell.reading.records import STEPS
from stillwell.schemas import ARCHIVE_TABLES, DEPOSIT_TABLES
from stillwell.schemas.derive import columns

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "method.md").read_text(encoding="utf-8")
SOURCE = ROOT / "src" / "stillwell"
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
    """Steps by name; every module named exists, and each that computes is named, or its folder is."""
    assert [step for step in STEPS if step not in ("values", "daily") and step not in TEXT] == []
    assert totals.__name__.rpartition(".")[2] in TEXT
    modules = {p.relative_to(SOURCE).as_posix() for p in SOURCE.rglob("*.py") if p.name != "__init__.py"}
    named = set(re.findall(r"`((?:\w+/)+(?:\w+|\*)\.py)`", TEXT))
    assert len(named) > 15
    places = {name: {m for m in modules if fnmatch(m, name) or fnmatch(m, f"*/{name}")} for name in named}
    assert [name for name, found in places.items() if not found] == []
    hydrometry = {m for m in modules if m.startswith("hydrometry/")}
    plumbing = {"hydrometry/choices.py", "hydrometry/grouped.py", "hydrometry/gauging/compute.py"}
    unnamed = hydrometry - plumbing - set().union(*places.values())
    assert unnamed == set()
