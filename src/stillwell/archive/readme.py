"""What an archive says of itself to a stranger: README.txt, and a Table Schema for every table."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache

from stillwell.archive.disk.layout import schema_path
from stillwell.schemas import ARCHIVE_TABLES, SCHEMA_VERSION, Table, words
from stillwell.schemas.derive import columns, key_names, table_schema

_README = """\
README of an archive of stream gaugings
=======================================
Kept by {office} ({identifier}); ask for the {contact}.
Written by the software stillwell, for somebody who has nothing of ours but this folder.

WHAT THIS IS
A gauging is a measurement of the discharge of a stream: at several verticals across the section, position,
depth and velocity were read. Each gauging here was handed in as a deposit (a file or folder), kept byte for
byte, checked, computed, and entered in tables. Nothing is ever edited: a correction is a new revision beside
the old one. This file says how to read all of it without any software of ours.

WHERE THINGS ARE
sealed/        The deposits as received: an OCFL 1.1 storage root (ocfl.io), one object per deposit.
               The names of the files as handed in stand in each object's inventory.json.
ledger/        One JSON file per commit, numbered from 00000001.json: what was taken, when, by whom, with which
               software (and by which limits, where its policy_text changed), and every file written with its size
               and sha256. The folder checkpoints/ repeats what
               follows from the entries, to save reading them all; it holds nothing new.
tables/        Apache Parquet: tables/<table>/site=<site>/<commit>-<digest>.parquet. Tables that know no site
               lie in tables/<table>/ itself. Rows of several small sites may lie together, as
               tables/<table>/sites/<first>..<last>/<commit>-<digest>.parquet; the column site inside every file
               says whose each row is. Each file adds rows; none is changed after it is written.
netcdf/        What stands, NetCDF-4 (classic model) after the conventions CF-1.11 and ACDD-1.3, per site:
               netcdf/<site>/gaugings.nc; daily.nc, the days of its record; and per site and calendar year (UTC)
               stage_<year>.nc, stage as its loggers recorded it, and discharge_<year>.nc, the record derived from
               it. They are made from the tables by commits of their own (reason "render"), whose made_from names
               what each was made from; where rows came later a file is behind, and the tables hold.
provenance/    One W3C PROV-JSON document per commit: what was made from what, by which software.
schemas/       One Table Schema (JSON) per table: each column's type, unit, meaning, range and allowed words.
returned/      The reasons for what could not be taken. Absent where nothing was ever returned.
work/          Scraps of whoever is writing now. Nothing in it matters when nobody writes.

In the names of folders a character of a site code that is no letter, digit, "_", "." , "-" or "~" is
percent-encoded; an overlong code is cut and ends in the first 12 characters of its sha256.

Facts and derivations: sealed/ and ledger/ are the facts. The tables follow from them, and everything else
from the tables; all of it can be made again.

THE TABLES (schema version {version})
{tables}

Every column is described in schemas/<table>.json and again inside each Parquet file. The unit is in the
column's name: _m metre, _m2, _m3_s cubic metre per second, _m_s metre per second, _s second, _c degree
Celsius, _pct percent, _deg degree of angle, _db decibel, _ppt parts per thousand, _km2. All times are UTC.
An empty cell means that nothing is known; it never means zero. A discharge of 0 says that no water flowed.
Velocities and discharges below zero are meant so: the water ran upstream.

HOW TO READ
Parquet, with any reader, the whole folder of a table at once. In Python with pandas:
    pandas.read_parquet("tables/gaugings", partitioning=None)
partitioning=None is needed because the column site is inside the files too. In DuckDB:
    SELECT * FROM read_parquet('tables/gaugings/**/*.parquet', hive_partitioning = false)
Read only files that the ledger lists and has not taken off the list again: start with nothing, go through the
entries in order, strike out the paths under "replaced", add those under "files".
NetCDF, with any reader, for example xarray.open_dataset("netcdf/<site>/gaugings.nc").
    Verticals of a gauging: gauging_index says which gauging (from 0) each vertical belongs to.
    Points of a vertical: row_size says how many points each vertical has; they follow one another in that
    order along obs. An edge of the section has none.

WHICH ROWS STAND
In gaugings, the row with the latest recorded_at says how a revision (gauging_id, revision) now stands. A
withdrawn revision does not stand. The approved revision with the highest number stands; where none is
approved, the provisional one with the highest number. Rows of verticals, points and findings stand with the
gauging_id and revision they name. In any other table that has the column revision, the row with the highest
revision of each key stands. To see what stood at some past moment, first leave out every row with a later
recorded_at.

WHAT THE WORDS MEAN
status     provisional  not yet reviewed by a person, may change
           approved     reviewed and accepted by a person
           withdrawn    taken back by a person; kept, but not to be used
candidate  true: a newer revision that waits beside an approved one until a person decides
severity   of a finding, a doubt that travels with the number
           note         worth knowing
           suspect      the number may be wrong
           unusable     the number must not be used unless a person has decided otherwise
within_pct the least of {limits} percent that the standard uncertainty (k = 1) does not exceed, else beyond;
           an empty cell means that no uncertainty in percent is known
field_quality  the field party's own judgement, one of {qualities}
recomputable   true: discharge was computed from the points here; false: it stands as handed in
method     how discharge was measured; "observed zero" means that somebody saw that no water flowed
In NetCDF files discharge_qc holds the IODE primary flags: 1 good, 2 not evaluated, 3 questionable, 4 bad,
9 missing. Status is a variable of its own, discharge_status.

HOW TO CHECK BY HAND THAT NOTHING CHANGED
1. Go through ledger/ in order. In each entry "previous" is the sha256 of the bytes of the entry before, empty
   in the first. "digest" is the sha256 of the entry's own text with that one field taken out (the characters
   "digest":"...", with the comma).
2. For each listed path compare size and sha256 with the file (sha256sum does it). If a writer died at the very
   end of its work, a file may still lie where the newest entry says under "moves" that it was staged.
3. In sealed/, each object's inventory.json lists the sha512 and, under fixity, the sha256 of every file in
   it; inventory.json.sha512 holds the sha512 of the inventory.
4. A deposit's name is its sha256. A deposit of one file: the sha256 of its bytes. A folder: the sha256 of the
   JSON list of [path, size, sha256] of its files, sorted by path, UTF-8, without spaces.

CAUTIONS
Provisional numbers may change. Read the findings of a gauging before using its number. What the software's
checks did not doubt is not thereby proved right. Uncertainties handed in are repeated, not verified. Nothing
here says that a stream may be waded: depth, velocity, floods and ice kill, and the rules of the place hold.
Persons are named by codes only. The columns owner, licence and access of the table sites say who owns the
measurements, under what licence they may be used, and who may read them.
"""


_WIDTH = max(map(len, ARCHIVE_TABLES))


def archive_readme(office: Mapping[str, str]) -> bytes:
    """Write README.txt for a stranger who has nothing but the folder.

    Parameters
    ----------
    office : mapping of str to str
        ``name``, ``identifier`` and ``contact_role`` of the office that keeps the archive.

    Returns
    -------
    bytes
        UTF-8 text.
    """
    text = _README.format(
        office=office["name"],
        identifier=office["identifier"],
        contact=office["contact_role"],
        version=SCHEMA_VERSION,
        tables="\n".join(table_line(name) for name in ARCHIVE_TABLES),
        limits=", ".join(words.WITHIN_PCT[:-1]),
        qualities=", ".join(words.FIELD_QUALITIES),
    )
    return text.encode("utf-8")


def schema_documents() -> dict[str, bytes]:
    """Write the Table Schema of every table of an archive.

    Returns
    -------
    dict of str to bytes
        By path in the archive.
    """
    return {schema_path(name): _schema_document(name) for name in ARCHIVE_TABLES}


@cache
def _schema_document(name: str) -> bytes:
    described = table_schema(name, ARCHIVE_TABLES[name], SCHEMA_VERSION)
    return (json.dumps(described, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def table_line(name: str) -> str:
    """Say in two lines what a table holds and what its key is."""
    model = ARCHIVE_TABLES[name]
    # some models only say which table they are; what it holds is then said by one they are built on
    docstrings = [(c.__doc__ or "").strip() for c in model.__mro__ if c.__name__ in (model.__name__, *_bases(model))]
    what = next(text for text in docstrings if not text.startswith("`")).split("; key")[0].rstrip(".")
    revised = any(c.name == "revision" for c in columns(model))
    key = ", ".join([*key_names(model), *(["revision"] if revised else [])])
    return f"{name:<{_WIDTH}} {what}.\n{'':<{_WIDTH}} Key: {key}."


def _bases(model: type[Table]) -> list[str]:
    return [base.__name__ for base in model.__mro__ if base.__name__.endswith("Columns")]
