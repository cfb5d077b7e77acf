"""Codes in an archive that differ only by case or Unicode form."""

from __future__ import annotations

from stillwell.archive.archive import Archive
from stillwell.intake.checks.lookalike_codes import Code, folded_code
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.base import Thing
from stillwell.schemas.naming import naming

MOST = 50
"""Groups of codes that are named; of the others only the number is given."""


def twin_remarks(archive: Archive) -> list[str]:
    """Name the codes that differ only by case or Unicode form; they stay, and new rows with them are returned.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of str
        One sentence for each group of codes, with the tables and columns in which they stand.

    Raises
    ------
    ArchiveDamaged
        If a table file is not as it was written.
    """
    remarks = [_sentence(kind, twins) for kind, codes in _codes(archive).items() for twins in _groups(codes)]
    more = len(remarks) - MOST
    rest = [f"{more} more groups of codes differ only by case or Unicode form"] if more > 0 else []
    return [*remarks[:MOST], *rest]


Standing = dict[Code, list[str]]
"""Codes, and the columns in which each stands, as ``table.column``."""


def _codes(archive: Archive) -> dict[Thing, Standing]:
    """Find the codes of each kind of thing."""
    codes: dict[Thing, Standing] = {}
    held = set(archive.tables())
    for use in naming(ARCHIVE_TABLES):
        for code in sorted(archive.codes(use.table, use.columns)) if use.table in held else []:
            codes.setdefault(use.kind, {}).setdefault(code, []).append(f"{use.table}.{use.column}")
    return codes


def _groups(codes: Standing) -> list[Standing]:
    """Group the codes that are alike; those alike to no other are left out."""
    groups: dict[Code, Standing] = {}
    for code in sorted(codes):
        groups.setdefault(folded_code(code), {})[code] = codes[code]
    return [group for group in groups.values() if len(group) > 1]


def _sentence(kind: Thing, twins: Standing) -> str:
    site = next((f" of site {code[0]}" for code in twins if len(code) > 1), "")
    named = " and ".join(f"{code[-1]!a} ({', '.join(places)})" for code, places in twins.items())
    makes_known = {f"{use.table}.{use.column}" for use in naming(ARCHIVE_TABLES) if use.registers or not use.registered}
    known = [places for places in twins.values() if makes_known & set(places)]
    returned = "; new rows with any of them are returned" if len(known) > 1 else ""
    return f"codes of a {kind}{site} that differ only by case or Unicode form: {named}{returned}"
